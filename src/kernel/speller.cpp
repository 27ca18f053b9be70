#include "speller.hpp"

#include <algorithm>
#include <stdexcept>

namespace nearkey {

namespace {
// A letter so much less likely than the touch's best is never worth a place in the beam.
constexpr double kLetterReach = 14.0;
}  // namespace

Speller::Speller(std::shared_ptr<const NgramTable> table, std::vector<std::uint32_t> token, double weight, int width)
    : table_(std::move(table)), token_(std::move(token)), weight_(weight), width_(static_cast<std::size_t>(width)) {
    if (width < 1) throw std::invalid_argument("the beam needs a width of 1 or more");
    for (const std::uint32_t t : token_)
        if (t >= table_->vocab()) throw std::invalid_argument("a letter's token lies outside the letter model");
}

Speller::Beam Speller::start() const {
    Hypothesis empty{0.0, 0.0, 0.0, {}, 1, {}, {}};
    empty.context[0] = table_->bos();
    empty.resolved = table_->resolve(empty.context.data(), 1);
    return {empty};
}

Speller::Beam Speller::step(const Beam &beam, const double *row, std::uint32_t n_letters) const {
    struct Next {
        double total, touch, language;
        std::uint32_t from;
        std::uint8_t letter;
    };
    const double least = *std::max_element(row, row + n_letters) - kLetterReach;
    thread_local std::vector<Next> next;
    thread_local std::vector<double> log_probs;
    next.clear();
    log_probs.resize(table_->vocab());
    for (std::uint32_t h = 0; h < beam.size(); ++h) {
        const Hypothesis &hypothesis = beam[h];
        table_->log_probs(hypothesis.resolved, log_probs.data());
        for (std::uint32_t a = 0; a < n_letters; ++a) {
            if (row[a] < least) continue;
            const double language = weight_ * log_probs[token_[a]];
            next.push_back(Next{hypothesis.total + row[a] + language, hypothesis.touch + row[a], hypothesis.language + language, h,
                                static_cast<std::uint8_t>(a)});
        }
    }
    const auto better = [](const Next &a, const Next &b) {
        if (a.total != b.total) return a.total > b.total;
        return a.from != b.from ? a.from < b.from : a.letter < b.letter;
    };
    const std::size_t keep = std::min(width_, next.size());
    std::partial_sort(next.begin(), next.begin() + static_cast<std::ptrdiff_t>(keep), next.end(), better);
    Beam out;
    out.reserve(keep);
    const int most = table_->order() - 1;
    for (std::size_t i = 0; i < keep; ++i) {
        Hypothesis made = beam[next[i].from];
        made.total = next[i].total;
        made.touch = next[i].touch;
        made.language = next[i].language;
        made.letters.push_back(next[i].letter);
        if (made.n_context == most && most > 0) {
            std::rotate(made.context.begin(), made.context.begin() + 1, made.context.begin() + most);
            made.context[most - 1] = token_[next[i].letter];
        } else if (made.n_context < most) {
            made.context[made.n_context++] = token_[next[i].letter];
        } else {
            made.n_context = 0;
        }
        made.resolved = table_->resolve(made.context.data(), static_cast<std::size_t>(made.n_context));
        out.push_back(std::move(made));
    }
    return out;
}

std::vector<Spelled> Speller::finish(const Beam &beam, std::size_t k) const {
    std::vector<Spelled> out;
    for (const Hypothesis &h : beam) {
        if (h.letters.empty()) continue;
        const double end = weight_ * table_->log_prob(h.resolved, table_->eos());
        out.push_back(Spelled{h.total + end, h.touch, h.language + end, h.letters});
    }
    std::stable_sort(out.begin(), out.end(), [](const Spelled &a, const Spelled &b) { return a.total > b.total; });
    if (out.size() > k) out.resize(k);
    return out;
}

}  // namespace nearkey
