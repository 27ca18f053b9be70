#include "speller.hpp"

#include <algorithm>
#include <span>
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
    const std::uint32_t bos = table_->bos();
    return {Hypothesis{0.0, 0.0, 0.0, {}, table_->resolve(&bos, 1)}};
}

Speller::Beam Speller::step(const Beam &beam, const double *row, std::uint32_t n_letters) const {
    struct Next {
        double total, language;
        std::uint32_t from;
        std::uint8_t letter;
    };
    const double least = *std::max_element(row, row + n_letters) - kLetterReach;
    thread_local std::vector<Next> kept_next;
    thread_local std::vector<double> kept_log_probs;
    // By references: each use of a thread's own variable is a call.
    std::vector<Next> &next = kept_next;
    std::vector<double> &log_probs = kept_log_probs;
    next.clear();
    log_probs.resize(table_->vocab());
    for (std::uint32_t h = 0; h < beam.size(); ++h) {
        const Hypothesis &hypothesis = beam[h];
        table_->log_probs(hypothesis.context, log_probs.data());
        for (std::uint32_t a = 0; a < n_letters; ++a) {
            if (row[a] < least) continue;
            const double language = weight_ * log_probs[token_[a]];
            next.push_back(Next{hypothesis.total + row[a] + language, hypothesis.language + language, h, static_cast<std::uint8_t>(a)});
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
    for (std::size_t i = 0; i < keep; ++i) {
        const Next &one = next[i];
        const Hypothesis &from = beam[one.from];
        out.push_back(Hypothesis{one.total, from.touch + row[one.letter], one.language, from.letters, table_->extended(from.context, token_[one.letter])});
        out.back().letters.push_back(static_cast<char>(one.letter));
    }
    return out;
}

std::vector<Spelled> Speller::finish(const Beam &beam, std::size_t k) const {
    struct End {
        double total, end;
        const Hypothesis *of;
    };
    std::vector<End> ends;
    ends.reserve(beam.size());
    for (const Hypothesis &h : beam) {
        if (h.letters.empty()) continue;
        const double end = weight_ * table_->log_prob(h.context, table_->eos());
        ends.push_back(End{h.total + end, end, &h});
    }
    std::ranges::sort(ends, [](const End &a, const End &b) { return a.total != b.total ? a.total > b.total : a.of < b.of; });
    std::vector<Spelled> out;
    for (const End &e : std::span(ends).first(std::min(k, ends.size())))
        out.push_back(Spelled{e.total, e.of->touch, e.of->language + e.end, {e.of->letters.begin(), e.of->letters.end()}});
    return out;
}

}  // namespace nearkey
