// Densities of a touch under each key: components, Gaussian or t, and a uniform background.
#pragma once

#include <cmath>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <vector>

namespace nearkey {

struct Component {
    double mean_x, mean_y, xx, xy, yy, constant;  // constant = log weight + log normaliser
};

// log(1 + exp(-x)) for x >= 0 by cubic interpolation between exact values and slopes; within 3e-11.
// Half of a decoding's time went into exp and log1p before.
class Softplus {
public:
    static double at(double x) {
        if (!(x < kEnd)) return 0.0;  // below 1e-12
        const double scaled = x * kSteps;
        const auto i = static_cast<std::size_t>(scaled);
        const double t = scaled - static_cast<double>(i);
        const Knot &a = knots()[i], &b = knots()[i + 1];
        const double u = 1.0 - t;
        return u * u * ((1.0 + 2.0 * t) * a.value + t * a.slope) + t * t * ((3.0 - 2.0 * t) * b.value - u * b.slope);
    }

private:
    struct Knot {
        double value, slope;  // the slope over one step
    };
    static constexpr int kSteps = 64;  // knots a unit
    static constexpr double kEnd = 28.0;

    static const Knot *knots() {
        static const std::vector<Knot> table = [] {
            std::vector<Knot> made(static_cast<std::size_t>(kEnd) * kSteps + 2);
            for (std::size_t i = 0; i < made.size(); ++i) {
                const double x = static_cast<double>(i) / kSteps;
                made[i] = Knot{std::log1p(std::exp(-x)), -1.0 / (1.0 + std::exp(x)) / kSteps};
            }
            return made;
        }();
        return table.data();
    }
};

class Emitter {
public:
    // `dof`: degrees of freedom of bivariate t components; infinite for Gaussians.
    Emitter(std::vector<std::vector<Component>> keys, double background_weight, double background_log_density, double dof)
        : keys_(std::move(keys)), heavy_(std::isfinite(dof)), per_dof_(1.0 / dof), power_(0.5 * (dof + 2.0)),
          keep_(std::log1p(-background_weight)),
          floor_(background_weight > 0 ? std::log(background_weight) + background_log_density
                                       : -std::numeric_limits<double>::infinity()) {}

    std::size_t n_keys() const { return keys_.size(); }

    double log_prob(std::size_t key, double x, double y) const {
        const auto &components = keys_[key];
        double value;
        if (components.size() == 1) {
            value = one(components[0], x, y);
        } else {
            value = -std::numeric_limits<double>::infinity();
            for (const auto &c : components) value = log_add(value, one(c, x, y));
        }
        return log_add(value + keep_, floor_);
    }

    void log_probs(double x, double y, double *out) const {
        for (std::size_t k = 0; k < keys_.size(); ++k) out[k] = log_prob(k, x, y);
    }

private:
    double one(const Component &c, double x, double y) const {
        const double dx = x - c.mean_x, dy = y - c.mean_y;
        const double square = c.xx * dx * dx + 2.0 * c.xy * dx * dy + c.yy * dy * dy;
        return c.constant - (heavy_ ? power_ * std::log1p(square * per_dof_) : 0.5 * square);
    }

    static double log_add(double a, double b) {
        const double high = a > b ? a : b, low = a > b ? b : a;
        // Two infinities of one sign differ by NaN, which adds nothing.
        const double gap = high - low;
        return gap >= 0.0 ? high + Softplus::at(gap) : high;
    }

    std::vector<std::vector<Component>> keys_;
    bool heavy_;
    double per_dof_, power_, keep_, floor_;
};

}  // namespace nearkey
