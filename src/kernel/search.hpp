// Exact search for the words most probable under touches and language, by branch and bound.
//
// score(word) = touch(word) + lm_weight * log P(word | context)
//
// A prefix can be dropped when even its best possible completion (the best density of every touch
// still to come + the largest unigram log probability below the node, shifted by the back-off of
// the context) cannot enter the list of the best k. In a back-off model that shift is the same for all words
// except the explicit followers of the context, and personal words; those are scored outright and
// left out of the walk. A dense vector of log probabilities brings its own largest ones below each node, over the same
// tries; their siblings no longer fall, so a walk looks at all of them. Nothing else is approximated, so the answer is
// that of exhaustive scoring.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <limits>
#include <memory>
#include <optional>
#include <span>
#include <vector>

#include "lexicon.hpp"
#include "ngram_table.hpp"
#include "touch.hpp"

namespace nearkey {

constexpr std::uint32_t kNoWord = 0xffffffffu;

constexpr double kMinusInfinity = -std::numeric_limits<double>::infinity();

enum class Kind : std::uint8_t { word = 0, swapped = 1, omitted = 2, extra = 3, completion = 4 };

struct Hit {
    double total = kMinusInfinity, touch = 0.0, language = 0.0;
    std::uint32_t word = 0;
    Kind kind = Kind::word;
};

// The best k hits so far, equally good ones by word number, whichever came first; each word once, all above `floor`, none more than `window` nats
// below the first. Beside them the best finished reading, where that may take the first place from an unfinished word by
// `lead` nats: it may stand lower than any hit.
class Best {
public:
    Best(std::size_t k, double window, double lead, double floor, double finished_floor)
        : k_(k), window_(window), lead_(lead), finished_floor_(finished_floor), threshold_(floor), finished_threshold_(lead > 0.0 ? finished_floor : floor) {
        hits_.reserve(k + 1);
    }

    // What a reading has to exceed, unfinished or not.
    double threshold() const { return threshold_; }
    double finished_threshold() const { return finished_threshold_; }
    const std::vector<Hit> &hits() const { return hits_; }
    const Hit &finished() const { return finished_; }  // minus infinity where none was offered, or none is looked for
    // The same without hits.
    Best emptied(double floor, double finished_floor) const { return Best(k_, window_, lead_, floor, finished_floor); }

    void offer(const Hit &hit) {
        if (lead_ > 0.0 && hit.kind != Kind::completion && better(hit, finished_)) {
            finished_ = hit;
            find_finished_threshold();
        }
        if (!(hit.total > threshold_)) return;
        for (std::size_t i = 0; i < hits_.size(); ++i) {
            if (hits_[i].word != hit.word) continue;
            if (!better(hit, hits_[i])) return;
            hits_.erase(hits_.begin() + static_cast<std::ptrdiff_t>(i));
            break;
        }
        auto at = hits_.end();
        while (at != hits_.begin() && better(hit, *(at - 1))) --at;
        hits_.insert(at, hit);
        if (hits_.size() > k_) hits_.pop_back();
        if (hits_.size() == k_) threshold_ = std::max(threshold_, below(hits_.back().total));
        threshold_ = std::max(threshold_, below(hits_.front().total - window_));
        while (hits_.back().total < hits_.front().total - window_) hits_.pop_back();
        find_finished_threshold();
    }

private:
    static bool better(const Hit &a, const Hit &b) {
        if (a.total != b.total) return a.total > b.total;
        return a.word != b.word ? a.word < b.word : a.kind < b.kind;
    }
    // A threshold that lets equally good ones pass, and bounds that were added up in another order.
    static double below(double total) { return total - 1e-9 * (1.0 + std::abs(total)); }
    void find_finished_threshold() {
        const double rival = hits_.empty() ? kMinusInfinity : hits_.front().total - lead_;
        finished_threshold_ = lead_ > 0.0 ? std::max(finished_floor_, std::min(threshold_, below(std::max(finished_.total, rival)))) : threshold_;
    }

    std::size_t k_;
    double window_, lead_, finished_floor_, threshold_, finished_threshold_;
    Hit finished_;
    std::vector<Hit> hits_;
};

// Penalties in natural logs; minus infinity switches an edit off.
struct Penalties {
    double omitted = kMinusInfinity;     // a letter without a touch
    double extra = kMinusInfinity;       // a touch without a letter, density of the touch included
    double swapped = kMinusInfinity;     // two letters touched in the other order
    double completion = kMinusInfinity;  // the word goes on after the last touch
    double window = std::numeric_limits<double>::infinity();  // words further below the first are not wanted
    double floor = kMinusInfinity;       // nor are words that score no more than this
    double lead = 0.0;                   // where above 0, the best finished reading is wanted where it scores no more than so much less than the first
    std::shared_ptr<const std::vector<std::uint8_t>> hidden;  // by word: 1 where it is a hit only if every touch is nearest to its letter
};

// Log densities of each touch under each letter: rows of `n_letters`, with the best of each row.
struct Emissions {
    int n_touches = 0;
    std::uint32_t n_letters = 0;
    std::vector<double> value;  // n_touches x n_letters
    std::vector<double> rest;   // rest[i] = sum of the best of rows i, i + 1, ...
    std::vector<double> points{};  // n_touches x 2, where they were made of points by the searcher of this number
    std::uint64_t searcher = 0;

    // Touches from `first` up to `last`, as if they were all.
    Emissions part(int first, int last) const {
        Emissions out{last - first, n_letters, {}, {}};
        out.value.assign(row(first), row(first) + static_cast<std::size_t>(last - first) * n_letters);
        out.rest.resize(out.n_touches + 1);
        for (int i = first; i <= last; ++i) out.rest[i - first] = rest[i] - rest[last];
        return out;
    }

    void find_rest() {
        rest[n_touches] = 0.0;
        for (int i = n_touches; i-- > 0;) rest[i] = rest[i + 1] + *std::max_element(row(i), row(i) + n_letters);
    }

    const double *row(int touch) const { return value.data() + static_cast<std::size_t>(touch) * n_letters; }
    double *row(int touch) { return value.data() + static_cast<std::size_t>(touch) * n_letters; }
};

// Words whose language score is mixed with another source (a person's own words, a phrase list):
// P'(w | h) = exp(keep) P(w | h) + exp(log_prob); all other words get exp(keep) P(w | h).
//
// Words the lexicon lacks stand behind them with their own letters; word j of these is
// reported as word number n_words + j with the language score given.
struct Overlay {
    double keep = 0.0;
    std::vector<std::uint32_t> word;  // words of the lexicon, each once
    std::vector<double> log_prob;
    std::vector<std::uint8_t> new_letters;
    std::vector<std::uint32_t> new_offset;  // n_new + 1
    std::vector<double> new_log_prob;

    // Throws std::invalid_argument when the arrays do not fit each other or the lexicon.
    void check(const Lexicon &lexicon) const;
};

// What the language score is read from: the words before in the n-gram table; or, where given, scores made
// for the searcher's lexicon, which take the place of both its own and the table.
struct Given {
    std::span<const std::uint32_t> context;
    const WordScores *scores = nullptr;
};

// What all searches of one decoder share. Read-only after construction: any number of threads may use it.
class Searcher {
public:
    // `letter_column[a]` is the key (column) of letter a; `token[w]` the word's id in the table.
    // Without a table the language score is the entry's own log probability.
    Searcher(std::shared_ptr<const Lexicon> lexicon, std::shared_ptr<const NgramTable> table, std::vector<std::uint32_t> token,
             std::vector<std::uint32_t> letter_column, double lm_weight);

    std::uint64_t id() const { return id_; }
    const Lexicon &lexicon() const { return *lexicon_; }
    const NgramTable *table() const { return table_.get(); }
    const std::vector<std::uint32_t> &letter_column() const { return letter_column_; }
    double lm_weight() const { return lm_weight_; }
    std::uint32_t token(std::uint32_t word) const { return token_[word]; }

    void emissions_from_columns(const double *columns, int n_touches, std::size_t n_columns, Emissions &out) const;
    // Rows that `out` has of the same points are kept; the emitter must be the same for all calls of one searcher.
    void emissions_from_points(const Emitter &emitter, const double *points, int n_touches, Emissions &out) const;

    // The best k words for all touches of `emissions`, each explained by one word; and in `finished` the best finished reading,
    // where the first is unfinished and that is wanted.
    std::vector<Hit> search(const Emissions &emissions, const Given &given, std::size_t k, const Penalties &penalties, const Overlay &overlay,
                            Hit *finished = nullptr) const;

    // The k most probable words with no touch at all.
    std::vector<Hit> predict(const Given &given, std::size_t k, const Overlay &overlay) const;

    // Touch score of one entry, all letters touched in order; minus infinity when lengths differ.
    double touch_of(const Emissions &emissions, std::uint32_t entry) const;

private:
    void fill_row(const double *columns, double *row) const {
        for (std::size_t a = 0; a < letter_column_.size(); ++a) row[a] = columns[letter_column_[a]];
    }
    // Room for the rows of so many touches; `find_rest` when they are filled.
    void begin_rows(int n_touches, Emissions &out) const;

    struct Walk;
    struct FollowerCache;
    struct Recent;
    friend struct Walk;
    friend struct Recent;
    friend struct FollowerCache;

    std::shared_ptr<const Lexicon> lexicon_;
    std::shared_ptr<const NgramTable> table_;
    std::vector<std::uint32_t> token_;         // by word
    // kNoWord where the lexicon lacks it; also for an id that a table changed under its reader may hold.
    std::uint32_t word_of(std::uint32_t token) const { return token < word_of_token_.size() ? word_of_token_[token] : kNoWord; }

    std::vector<std::uint32_t> word_of_token_; // by token; kNoWord where the lexicon lacks it
    std::vector<std::uint32_t> letter_column_;
    // Tokens of the words with an entry of each length lie in [low, high).
    std::vector<std::uint32_t> token_low_, token_high_;
    double lm_weight_;
    std::uint64_t id_;  // tells searchers apart in caches, where an address could be used again
};

}  // namespace nearkey
