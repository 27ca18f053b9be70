// Densities of a touch under each key: Gaussian components and a uniform background.
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

class Emitter {
public:
    Emitter(std::vector<std::vector<Component>> keys, double background_weight, double background_log_density)
        : keys_(std::move(keys)), keep_(std::log1p(-background_weight)),
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
    static double one(const Component &c, double x, double y) {
        const double dx = x - c.mean_x, dy = y - c.mean_y;
        return c.constant - 0.5 * (c.xx * dx * dx + 2.0 * c.xy * dx * dy + c.yy * dy * dy);
    }

    static double log_add(double a, double b) {
        const double high = a > b ? a : b, low = a > b ? b : a;
        // Past 40 nats the smaller term is below the rounding of the larger one.
        if (!(high - low < 40.0)) return high;
        return high + std::log1p(std::exp(low - high));
    }

    std::vector<std::vector<Component>> keys_;
    double keep_, floor_;
};

}  // namespace nearkey
