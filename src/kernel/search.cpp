#include "search.hpp"

#include <algorithm>
#include <array>
#include <atomic>
#include <cmath>
#include <stdexcept>

namespace nearkey {

namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();

double log_add(double a, double b) {
    const double high = std::max(a, b), low = std::min(a, b);
    return low == kMinusInfinity ? high : high + std::log1p(std::exp(low - high));
}

// Words already scored outright in the current search, without clearing a table between searches.
class Marks {
public:
    void begin(std::size_t n_words) {
        if (epochs_.size() < n_words) epochs_.resize(n_words, 0);
        if (++epoch_ == 0) {
            std::fill(epochs_.begin(), epochs_.end(), 0);
            epoch_ = 1;
        }
    }
    bool set(std::uint32_t word) {
        const bool fresh = epochs_[word] != epoch_;
        epochs_[word] = epoch_;
        return fresh;
    }
    bool has(std::uint32_t word) const { return epochs_[word] == epoch_; }

private:
    std::vector<std::uint32_t> epochs_;
    std::uint32_t epoch_ = 0;
};

// Room for a value that is written before it is read.
template <typename T> union Room {
    Room() {}
    T value;
};

// A child worth a visit.
struct Child {
    double bound;
    std::uint32_t node;
};

}  // namespace

void Overlay::check(const Lexicon &lexicon) const {
    if (word.size() != log_prob.size()) throw std::invalid_argument("overlay arrays differ in length");
    if (new_offset.size() != new_log_prob.size() + 1 || new_offset.front() != 0 || new_offset.back() != new_letters.size())
        throw std::invalid_argument("offsets of new words do not cover their letters");
    for (std::size_t i = 0; i + 1 < new_offset.size(); ++i)
        if (new_offset[i] > new_offset[i + 1]) throw std::invalid_argument("offsets of new words must not fall");
    for (const std::uint32_t w : word)
        if (w >= lexicon.n_words()) throw std::invalid_argument("an overlay word lies outside the lexicon");
    for (std::size_t i = 0; i < new_log_prob.size(); ++i)
        if (new_offset[i] == new_offset[i + 1]) throw std::invalid_argument("a new word without letters");
    for (const std::uint8_t a : new_letters)
        if (a >= lexicon.n_letters()) throw std::invalid_argument("a new word has a letter outside the alphabet");
}

Searcher::Searcher(std::shared_ptr<const Lexicon> lexicon, std::shared_ptr<const NgramTable> table,
                   std::vector<std::uint32_t> token, std::vector<std::uint32_t> letter_column, double lm_weight)
    : lexicon_(std::move(lexicon)), table_(std::move(table)), token_(std::move(token)),
      letter_column_(std::move(letter_column)), lm_weight_(lm_weight) {
    static std::atomic<std::uint64_t> made{0};
    id_ = ++made;
    if (letter_column_.size() != lexicon_->n_letters()) throw std::invalid_argument("one column is needed for each letter");
    if (!(lm_weight_ >= 0.0) || !std::isfinite(lm_weight_)) throw std::invalid_argument("lm_weight must be finite and not negative");
    if (!table_) return;
    if (token_.size() != lexicon_->n_words()) throw std::invalid_argument("one token is needed for each word");
    word_of_token_.assign(table_->vocab(), kNoWord);
    for (std::uint32_t w = 0; w < token_.size(); ++w) {
        if (token_[w] >= table_->vocab()) throw std::invalid_argument("a token lies outside the n-gram table");
        if (token_[w] != table_->unk()) word_of_token_[token_[w]] = w;
    }
    const int longest = lexicon_->max_length();
    token_low_.assign(longest + 2, 0xffffffffu);
    token_high_.assign(longest + 2, 0);
    for (std::uint32_t e = 0; e < lexicon_->n_entries(); ++e) {
        const std::uint32_t t = token_[lexicon_->word(e)];
        if (t == table_->unk()) continue;
        auto &low = token_low_[lexicon_->length(e)];
        auto &high = token_high_[lexicon_->length(e)];
        low = std::min(low, t);
        high = std::max(high, t + 1);
    }
}

void Searcher::begin_rows(int n_touches, Emissions &out) const {
    out.n_touches = n_touches;
    out.n_letters = lexicon_->n_letters();
    out.value.resize(static_cast<std::size_t>(n_touches) * out.n_letters);
    out.rest.resize(n_touches + 1);
}

void Searcher::emissions_from_columns(const double *columns, int n_touches, std::size_t n_columns, Emissions &out) const {
    begin_rows(n_touches, out);
    out.searcher = 0;
    for (int i = 0; i < n_touches; ++i) fill_row(columns + static_cast<std::size_t>(i) * n_columns, out.row(i));
    out.find_rest();
}

void Searcher::emissions_from_points(const Emitter &emitter, const double *points, int n_touches, Emissions &out) const {
    thread_local std::vector<double> columns;
    double *densities = (columns.resize(emitter.n_keys()), columns.data());
    int same = 0;
    if (out.searcher == id_)
        while (same < std::min(n_touches, out.n_touches) && std::equal(points + 2 * same, points + 2 * same + 2, out.points.data() + 2 * same)) ++same;
    begin_rows(n_touches, out);
    out.searcher = id_;
    out.points.assign(points, points + 2 * n_touches);
    for (int i = same; i < n_touches; ++i) {
        emitter.log_probs(points[2 * i], points[2 * i + 1], densities);
        fill_row(densities, out.row(i));
    }
    out.find_rest();
}

double Searcher::touch_of(const Emissions &emissions, std::uint32_t entry) const {
    const auto letters = lexicon_->letters(entry);
    if (static_cast<int>(letters.size()) != emissions.n_touches) return kMinusInfinity;
    double touch = 0.0;
    for (int i = 0; i < emissions.n_touches; ++i) touch += emissions.row(i)[letters[i]];
    return touch;
}

// The followers of one context, kept from touch to touch of a word. There may be thousands (after "the"): they are grouped
// by their first two letters, a group's by length, so that those whose first letters do not fit the touches are passed
// over whole. Those of one length stand in the order of their letters, so that no letter is looked at twice.
struct Searcher::FollowerCache {
    struct Follower {
        double language;      // log P(word | context)
        std::uint32_t word, entry;
        std::uint32_t shared;  // first letters that are those of the one before it in the run
    };
    // Followers of one group and length.
    struct Run {
        double best;  // largest language
        std::uint32_t first, last;
        int length;
        std::uint32_t letters;  // where they begin: `length` for each follower
        Lexicon::Beginning beginning;
    };
    struct Group {
        double best = kMinusInfinity;
        std::uint32_t first = 0, last = 0;  // of its runs; of its followers while it is made
        Lexicon::Beginning beginning{};     // letters that all its spellings begin with
    };

    std::uint64_t searcher = 0;
    std::vector<std::uint32_t> context;
    std::vector<Follower> list;
    std::vector<std::uint8_t> letters;
    std::vector<Run> runs;      // by group, then length
    std::vector<Group> groups;  // falling
    std::array<std::vector<std::uint32_t>, kMaxLetters + 1> of_length;  // places of runs
    Marks marks;

    bool holds(const Searcher &s, std::span<const std::uint32_t> words) const { return searcher == s.id_ && std::ranges::equal(context, words); }

    void fill(const Searcher &s, std::span<const std::uint32_t> words, const NgramTable::Context &resolved) {
        if (holds(s, words)) return;
        searcher = s.id_;
        context.assign(words.begin(), words.end());
        marks.begin(s.lexicon_->n_words());
        const Lexicon &lexicon = *s.lexicon_;
        const NgramTable &table = *s.table_;
        thread_local std::vector<Follower> found_here;
        std::vector<Follower> &found = found_here;
        found.clear();
        for (int i = 0; i < resolved.n_spans; ++i) {
            const auto &span = resolved.spans[i];
            for (std::uint64_t at = span.begin; at < span.end; ++at) {
                const std::uint32_t word = s.word_of(table.id_at(span.level, at));
                if (word == kNoWord || !marks.set(word)) continue;
                for (const std::uint32_t entry : lexicon.entries_of(word))
                    found.push_back(Follower{span.shift + table.prob_at(span.level, at), word, entry, 0});
            }
        }
        thread_local std::vector<Group> all_here;
        std::vector<Group> &all = all_here;
        all.assign(lexicon.n_beginnings(), Group{});
        for (const Follower &f : found) ++all[lexicon.beginning_of(f.entry)].last;
        std::uint32_t total = 0;
        for (Group &group : all) {
            group.first = total;
            total += group.last;
            group.last = group.first;
        }
        list.resize(found.size());
        for (const Follower &f : found) list[all[lexicon.beginning_of(f.entry)].last++] = f;
        letters.clear();
        runs.clear();
        groups.clear();
        for (auto &places : of_length) places.clear();
        for (std::uint32_t g = 0; g < all.size(); ++g)
            if (all[g].last > all[g].first) add_group(lexicon, all[g].first, all[g].last, lexicon.beginning(g));
        // The most probable first: they set the threshold for the rest.
        std::ranges::sort(groups, [](const Group &x, const Group &y) { return x.best != y.best ? x.best > y.best : x.first < y.first; });
    }

private:
    void add_group(const Lexicon &lexicon, std::uint32_t first, std::uint32_t last, Lexicon::Beginning beginning) {
        // Entries are numbered by length, then letters; those of each span of the table mostly come in that order.
        const auto by_entry = [](const Follower &x, const Follower &y) { return x.entry < y.entry; };
        const std::span<Follower> here(list.data() + first, last - first);
        if (!std::ranges::is_sorted(here, by_entry)) std::ranges::sort(here, by_entry);
        Group group{kMinusInfinity, static_cast<std::uint32_t>(runs.size()), 0, beginning};
        for (std::uint32_t i = first; i < last; ++i) {
            const auto own = lexicon.letters(list[i].entry);
            const int length = static_cast<int>(own.size());
            if (i == first || length != runs.back().length) {
                of_length[length].push_back(static_cast<std::uint32_t>(runs.size()));
                runs.push_back(Run{kMinusInfinity, i, i, length, static_cast<std::uint32_t>(letters.size()), beginning});
            } else {
                list[i].shared = static_cast<std::uint32_t>(std::ranges::mismatch(own, std::span(letters).last(own.size())).in1 - own.begin());
            }
            letters.insert(letters.end(), own.begin(), own.end());
            runs.back().last = i + 1;
            runs.back().best = std::max(runs.back().best, list[i].language);
            group.best = std::max(group.best, list[i].language);
        }
        group.last = static_cast<std::uint32_t>(runs.size());
        groups.push_back(group);
    }
};

// What the last search in this thread found, for the next one over the same touches and one more: mostly they are found
// again.
struct Searcher::Recent {
    std::uint64_t searcher = 0;
    std::size_t k = 0;
    std::vector<double> first_row;
    std::vector<std::uint32_t> words;

    bool fits(const Searcher &s, const Emissions &e) const {
        return searcher == s.id_ && e.n_touches > 0 && std::equal(first_row.begin(), first_row.end(), e.value.begin());
    }
    void keep(const Searcher &s, const Emissions &e, std::size_t wanted, const std::vector<Hit> &hits) {
        if (e.n_touches == 0 || hits.empty() || (wanted < k && fits(s, e))) return;  // a few of the same touches tell less
        searcher = s.id_;
        k = wanted;
        first_row.assign(e.value.begin(), e.value.begin() + e.n_letters);
        words.clear();
        for (const Hit &hit : hits) words.push_back(hit.word);
    }
};

// One search: its inputs, its threshold and its scratch.
struct Searcher::Walk {
    const Searcher &s;
    const WordScores &scores;
    const Emissions &e;
    const Penalties &p;
    Best best;
    const Marks &marks;  // words scored outright as followers
    const Marks *own;    // words scored outright for the overlay; null where there are none
    const NgramTable *table;  // null where it is not looked at
    double weight;  // lm_weight
    double keep;    // the overlay's
    double shift;   // what the context adds to the score of every word left in the tries

    bool done(std::uint32_t word) const { return marks.has(word) || (own && own->has(word)); }
    const Lexicon &lexicon() const { return *s.lexicon_; }
    double emission(int touch, std::uint32_t letter) const { return e.row(touch)[letter]; }

    // log P(word of the entry | context), the overlay apart.
    double language(const NgramTable::Context &context, std::uint32_t entry) const {
        if (table && s.token_[lexicon().word(entry)] != table->unk()) {
            const double found = table->follower(context, s.token_[lexicon().word(entry)]);
            if (found == found) return keep + found;
        }
        return shift + scores.log_prob[entry];
    }

    // ---- ways in which a word's letters explain the touches ----
    //
    // Each is a state after some letters. `next`: after one more, letter `a` at place d. `bound`: the most that a word
    // with d letters so far may still reach. `end`: the touch score after the last letter.

    // A touch for each letter.
    struct Plain {
        static constexpr Kind kKind = Kind::word;
        static constexpr int kLonger = 0;  // letters more than touches
        double touch = 0.0;

        Plain next(const Walk &w, int d, std::uint32_t a) const { return {touch + w.emission(d, a)}; }
        double bound(const Walk &w, int d) const { return touch + w.e.rest[d]; }
        double end(const Walk &) const { return touch; }
    };

    // Two neighbours touched in the other order.
    struct Swapped {
        static constexpr Kind kKind = Kind::swapped;
        static constexpr int kLonger = 0;
        double before = kMinusInfinity, plain = 0.0, swapped = kMinusInfinity;  // no swap, one letter ago and now; a swap behind
        std::uint32_t last = 0;                                                 // letter

        Swapped next(const Walk &w, int d, std::uint32_t a) const {
            double behind = swapped + w.emission(d, a);
            if (d > 0) behind = std::max(behind, before + w.p.swapped + w.emission(d - 1, a) + w.emission(d, last));
            return {plain, plain + w.emission(d, a), behind, a};
        }
        // A swap under way has yet to place both its touches; one that starts later is bounded by it.
        double bound(const Walk &w, int d) const {
            const double open = d == 0 ? w.e.rest[0] : before + w.e.rest[d - 1];
            return d < w.e.n_touches ? std::max(swapped + w.e.rest[d], open + w.p.swapped) : swapped;
        }
        double end(const Walk &) const { return swapped; }
    };

    // One letter has no touch.
    struct Omitted {
        static constexpr Kind kKind = Kind::omitted;
        static constexpr int kLonger = 1;
        double all = 0.0, omitted = kMinusInfinity;  // all letters so far touched; one left out

        Omitted next(const Walk &w, int d, std::uint32_t a) const {
            const double through = d > 0 ? omitted + w.emission(d - 1, a) : kMinusInfinity;
            return {d < w.e.n_touches ? all + w.emission(d, a) : kMinusInfinity, std::max(through, all + w.p.omitted)};
        }
        double bound(const Walk &w, int d) const {
            const double open = d <= w.e.n_touches ? all + w.p.omitted + w.e.rest[d] : kMinusInfinity;
            return d > 0 ? std::max(open, omitted + w.e.rest[d - 1]) : open;
        }
        double end(const Walk &) const { return omitted; }
    };

    // One touch means nothing.
    struct Extra {
        static constexpr Kind kKind = Kind::extra;
        static constexpr int kLonger = -1;
        double none = 0.0, extra = kMinusInfinity;  // no such touch so far; one behind

        Extra next(const Walk &w, int d, std::uint32_t a) const {
            return {none + w.emission(d, a), std::max(extra, none + w.p.extra) + w.emission(d + 1, a)};
        }
        double bound(const Walk &w, int d) const { return std::max(none + w.e.rest[d] + w.slack[d], extra + w.e.rest[d + 1]); }
        double end(const Walk &w) const { return std::max(extra, none + w.p.extra); }
    };

    // The word goes on after the last touch.
    struct Unfinished {
        static constexpr Kind kKind = Kind::completion;
        double touch = 0.0;

        Unfinished next(const Walk &w, int d, std::uint32_t a) const { return d < w.e.n_touches ? Unfinished{touch + w.emission(d, a)} : *this; }
        double bound(const Walk &w, int d) const { return touch + w.e.rest[std::min(d, w.e.n_touches)] + w.p.completion; }
        double end(const Walk &w) const { return touch + w.p.completion; }
    };

    // What a reading in this way has to exceed.
    template <typename Way> double threshold() const { return Way::kKind == Kind::completion ? best.threshold() : best.finished_threshold(); }

    template <typename Way> void offer(std::uint32_t word, const Way &way, double language) {
        const double touch = way.end(*this);
        if (p.hidden && word < p.hidden->size() && (*p.hidden)[word] && !(Way::kKind == Kind::word && touch == nearest)) return;
        best.offer(Hit{touch + language, touch, language, word, Way::kKind});
    }

    // Letters `from` up to `to`; false as soon as a word with this weighted language score is hopeless.
    template <typename Way> bool follow(Way &way, const std::uint8_t *letters, int from, int to, double language) const {
        for (int d = from; d < to; ++d) {
            way = way.next(*this, d, letters[d]);
            if (!(way.bound(*this, d + 1) + language > threshold<Way>())) return false;
        }
        return true;
    }

    // ---- words scored outright: followers of the context and overlay words ----

    template <typename Way> void score(std::uint32_t word, const std::uint8_t *letters, int length, double language) {
        Way way;
        if (!(way.bound(*this, 0) + language > threshold<Way>())) return;
        if (follow(way, letters, 0, length, language)) offer(word, way, language);
    }

    void offer_outright(std::uint32_t word, double language) {
        for (const std::uint32_t entry : lexicon().entries_of(word)) offer_spelling(word, lexicon().letters(entry), language);
    }

    void offer_spelling(std::uint32_t word, std::span<const std::uint8_t> letters, double language) {
        const double scaled = weight * language;
        const int length = static_cast<int>(letters.size()), n = e.n_touches;
        if (length == n) {
            score<Plain>(word, letters.data(), length, scaled);
            if (n >= 2 && p.swapped > kMinusInfinity) score<Swapped>(word, letters.data(), length, scaled);
        } else if (length > n) {
            if (length == n + 1 && n > 0 && p.omitted > kMinusInfinity) score<Omitted>(word, letters.data(), length, scaled);
            if (p.completion > kMinusInfinity) score<Unfinished>(word, letters.data(), n, scaled);
        } else if (length == n - 1 && length > 0 && p.extra > kMinusInfinity) {
            score<Extra>(word, letters.data(), length, scaled);
        }
    }

    // Words that may be good ones: scored first, they tell how good a word has to be. They are offered again with all
    // others, so the answer does not depend on them.
    void expect(const std::vector<std::uint32_t> &words, const NgramTable::Context &context) {
        for (const std::uint32_t word : words) {
            if (word >= lexicon().n_words() || (own && own->has(word))) continue;
            for (const std::uint32_t entry : lexicon().entries_of(word)) offer_spelling(word, lexicon().letters(entry), language(context, entry));
        }
        if (best.hits().empty()) return;
        best = best.emptied(best.threshold(), best.finished_threshold());
    }

    // ---- walks over the tries ----

    // The words of one leaf or ending.
    template <typename Way> void offer_places(Places places, const Way &way) {
        for (std::uint32_t place = places.first; place < places.first + places.n; ++place) {
            const std::uint32_t entry = Way::kKind == Kind::completion ? lexicon().full_entry(place) : place, word = lexicon().word(entry);
            if (!done(word)) offer(word, way, weight * (shift + scores.log_prob[entry]));
        }
    }

    // A lone leaf below the first `depth` letters.
    template <typename Way> void end(const Node &leaf, int depth, Way way, double language) {
        int to;
        const std::uint8_t *letters;
        if constexpr (Way::kKind == Kind::completion) {
            const auto all = lexicon().letters(lexicon().full_entry(leaf.child));
            if (static_cast<int>(all.size()) <= e.n_touches) return;
            to = e.n_touches;
            letters = all.data();
        } else {
            to = e.n_touches + Way::kLonger;
            letters = lexicon().letters_of(leaf.child, to);
        }
        if (follow(way, letters, depth, to, language)) offer_places(Places{leaf.child, leaf.n_entries}, way);
    }

    // Visits the siblings that may lead to a hit, best bound first.
    template <typename Way> void walk(Places siblings, int depth, const Way &way) {
        // Few pass and fewer are visited: picking the best each time beats sorting.
        std::array<Child, 256> fringe;
        std::size_t size = 0;
        const Node *nodes = lexicon().nodes().data();
        const float *largest = scores.best.data();
        const double threshold = this->threshold<Way>(), most_touch = way.bound(*this, depth);
        for (std::uint32_t i = siblings.first; i < siblings.first + siblings.n; ++i) {
            const double language = weight * (shift + largest[i]);
            if (!(most_touch + language > threshold)) {
                if (scores.falling) break;
                continue;
            }
            const double bound = way.next(*this, depth, nodes[i].letter).bound(*this, depth + 1) + language;
            fringe[size] = Child{bound, i};
            size += bound > threshold;
        }
        while (size > 0) {
            std::size_t most = 0;
            for (std::size_t i = 1; i < size; ++i)
                if (fringe[i].bound > fringe[most].bound) most = i;
            if (!(fringe[most].bound > this->threshold<Way>())) break;
            const std::uint32_t chosen = fringe[most].node;
            fringe[most] = fringe[--size];
            const Node &node = nodes[chosen];
            const Way next = way.next(*this, depth, node.letter);
            if (!node.n_children) {
                end(node, depth + 1, next, weight * (shift + largest[chosen]));
                continue;
            }
            if constexpr (Way::kKind == Kind::completion)
                if (depth + 1 > e.n_touches && node.n_entries) offer_places(lexicon().ending(chosen), next);
            walk(Places{node.child, node.n_children}, depth + 1, next);
        }
    }

    void walk_all() {
        const int n = e.n_touches;
        if (n > 0) walk(lexicon().top(n), 0, Plain{});
        if (n > 1 && p.swapped > kMinusInfinity) walk(lexicon().top(n), 0, Swapped{});
        if (n > 0 && p.omitted > kMinusInfinity) walk(lexicon().top(n + 1), 0, Omitted{});
        if (n > 1 && p.extra > kMinusInfinity) walk(lexicon().top(n - 1), 0, Extra{});
        if (p.completion > kMinusInfinity && n < lexicon().max_length()) walk(lexicon().full_top(), 0, Unfinished{});
    }

    // The least that any touch from each on loses when it is the extra one.
    void find_slack() {
        slack[e.n_touches] = kMinusInfinity;
        for (int i = e.n_touches; i-- > 0;) slack[i] = std::max(slack[i + 1], p.extra - (e.rest[i] - e.rest[i + 1]));
    }

    // ---- the explicit followers of the context ----

    // Only words of the lengths that matter are read from the table.
    void offer_followers(const NgramTable::Context &context, Marks &mark) {
        const int n = e.n_touches, longest = lexicon().max_length();
        std::uint32_t low = 0xffffffffu, high = 0;
        const auto widen = [&](int length) {
            if (length < 1 || length > longest) return;
            low = std::min(low, s.token_low_[length]);
            high = std::max(high, s.token_high_[length]);
        };
        widen(n);
        if (p.omitted > kMinusInfinity) widen(n + 1);
        if (p.extra > kMinusInfinity) widen(n - 1);
        if (low >= high) return;
        for (int i = 0; i < context.n_spans; ++i) {
            const auto &span = context.spans[i];
            const std::uint64_t first = table->lower_bound(span.level, span.begin, span.end, low);
            for (std::uint64_t at = first; at < span.end; ++at) {
                const std::uint32_t token = table->id_at(span.level, at);
                if (token >= high) break;
                const std::uint32_t word = s.word_of(token);
                if (word == kNoWord || !mark.set(word)) continue;
                const double language = keep + span.shift + table->prob_at(span.level, at);
                if (best_touch + weight * language > best.finished_threshold() && !(own && own->has(word))) offer_outright(word, language);
            }
        }
    }

    // The state after the first letters of a group, of which no more than `to` are looked at.
    template <typename Way> Way begun(const Lexicon::Beginning &beginning, int to) const {
        Way way;
        for (int d = 0; d < std::min<int>(beginning.n, to); ++d) way = way.next(*this, d, beginning.letters[d]);
        return way;
    }

    // The followers of a run, `to` letters of each looked at. Their first ones lead to `begun`.
    template <typename Way> void offer_run(const FollowerCache &cache, const FollowerCache::Run &run, int to, const Way &begun) {
        const int from = std::min<int>(run.beginning.n, to);
        const double most_touch = begun.bound(*this, from), most_language = weight * (keep + run.best);
        if (!(most_touch + most_language > threshold<Way>())) return;
        // After each letter of the last follower looked at, as far as it was followed; `dead` letters of it lead nowhere.
        std::array<Room<Way>, kMaxLetters + 1> after;
        after[from].value = begun;
        int known = from, dead = kMaxLetters + 1;
        const std::uint8_t *letters = cache.letters.data() + run.letters;
        for (std::uint32_t i = run.first; i < run.last; ++i, letters += run.length) {
            const auto &follower = cache.list[i];
            const int shared = static_cast<int>(follower.shared);
            if (shared >= dead) continue;
            dead = kMaxLetters + 1;
            known = std::max(from, std::min(known, shared));
            const double language = weight * (keep + follower.language);
            if (!(most_touch + language > threshold<Way>()) || (own && own->has(follower.word))) continue;
            bool good = after[known].value.bound(*this, known) + language > threshold<Way>();
            while (good && known < to) {
                after[known + 1].value = after[known].value.next(*this, known, letters[known]);
                ++known;
                const double bound = after[known].value.bound(*this, known);
                good = bound + language > threshold<Way>();
                if (!(bound + most_language > threshold<Way>())) dead = known;
            }
            if (good) offer(follower.word, after[to].value, language);
        }
    }

    // Those of one length.
    template <typename Way> void offer_length(const FollowerCache &cache, int length) {
        if (length > lexicon().max_length()) return;
        for (const std::uint32_t place : cache.of_length[length]) {
            const auto &run = cache.runs[place];
            if (best_touch + weight * (keep + run.best) > threshold<Way>()) offer_run(cache, run, length, begun<Way>(run.beginning, length));
        }
    }

    // The same, and those that go on after the last touch, from the list kept for the context.
    void offer_kept(const FollowerCache &cache) {
        const int n = e.n_touches;
        if (n > 0) offer_length<Plain>(cache, n);
        if (p.completion > kMinusInfinity)
            for (const auto &group : cache.groups) {
                const double most_language = weight * (keep + group.best);
                if (!(best_touch + most_language > best.threshold())) break;  // groups fall
                const auto way = begun<Unfinished>(group.beginning, n);
                if (!(way.bound(*this, std::min<int>(group.beginning.n, n)) + most_language > best.threshold())) continue;
                for (std::uint32_t place = group.first; place < group.last; ++place)
                    if (cache.runs[place].length > n) offer_run(cache, cache.runs[place], n, way);
            }
        if (n > 1 && p.swapped > kMinusInfinity) offer_length<Swapped>(cache, n);
        if (n > 0 && p.omitted > kMinusInfinity) offer_length<Omitted>(cache, n + 1);
        if (n > 1 && p.extra > kMinusInfinity) offer_length<Extra>(cache, n - 1);
    }

    double best_touch = 0.0;  // no word's touch score can exceed it
    double nearest = 0.0;     // that of a word whose letters are the touches' nearest
    std::array<double, kMaxLetters + 2> slack{};
};

std::vector<Hit> Searcher::search(const Emissions &emissions, const Given &given, std::size_t k, const Penalties &penalties,
                                  const Overlay &overlay, Hit *finished) const {
    thread_local Marks followers, own;
    thread_local FollowerCache cache;
    if (k == 0 || emissions.n_touches > kMaxLetters) return {};
    const NgramTable *table = given.scores ? nullptr : table_.get();
    const bool completing = table && penalties.completion > kMinusInfinity;
    NgramTable::Context resolved;
    if (table) resolved = table->resolve(given.context.data(), given.context.size());
    if (completing) cache.fill(*this, given.context, resolved);
    const bool kept = table && cache.holds(*this, given.context);
    followers.begin(lexicon_->n_words());
    if (!overlay.word.empty()) own.begin(lexicon_->n_words());

    Walk walk{*this, given.scores ? *given.scores : lexicon_->scores(), emissions, penalties, Best(k, penalties.window, penalties.lead, penalties.floor, penalties.floor),
              kept ? cache.marks : followers, overlay.word.empty() ? nullptr : &own, table, lm_weight_, overlay.keep, overlay.keep + resolved.unigram_shift};
    walk.best_touch = emissions.rest[0];
    if (penalties.extra > kMinusInfinity) {
        // An extra touch may be cheaper than the best letter for it.
        walk.find_slack();
        walk.best_touch += std::max(0.0, walk.slack[0]);
    }
    if (penalties.hidden)  // added up as a word's letters are, so that the two are equal
        for (int i = 0; i < emissions.n_touches; ++i) walk.nearest += *std::max_element(emissions.row(i), emissions.row(i) + emissions.n_letters);
    for (const std::uint32_t word : overlay.word) own.set(word);
    thread_local Recent recent;
    if (recent.fits(*this, emissions)) walk.expect(recent.words, resolved);
    for (std::size_t i = 0; i < overlay.word.size(); ++i) {
        const std::uint32_t word = overlay.word[i];
        const auto entries = lexicon_->entries_of(word);
        if (entries.empty()) continue;
        const bool fits = std::ranges::any_of(entries, [&](std::uint32_t entry) {
            const int length = lexicon_->length(entry), n = emissions.n_touches;
            return length > n ? length == n + 1 || penalties.completion > kMinusInfinity : length + 1 >= n;
        });
        if (!fits) continue;
        walk.offer_outright(word, log_add(walk.language(resolved, entries[0]), overlay.log_prob[i]));
    }
    for (std::size_t j = 0; j < overlay.new_log_prob.size(); ++j) {
        const std::uint32_t first = overlay.new_offset[j], last = overlay.new_offset[j + 1];
        walk.offer_spelling(lexicon_->n_words() + static_cast<std::uint32_t>(j),
                            std::span(overlay.new_letters).subspan(first, last - first), overlay.new_log_prob[j]);
    }
    if (kept)
        walk.offer_kept(cache);
    else if (table)
        walk.offer_followers(resolved, followers);
    walk.walk_all();
    const std::vector<Hit> &hits = walk.best.hits();
    recent.keep(*this, emissions, k, hits);
    if (finished && !hits.empty() && hits.front().kind == Kind::completion) *finished = walk.best.finished();
    return hits;
}

std::vector<Hit> Searcher::predict(const Given &given, std::size_t k, const Overlay &overlay) const {
    Emissions none;
    none.n_letters = lexicon_->n_letters();
    none.rest.assign(1, 0.0);
    Penalties penalties;
    penalties.completion = 0.0;
    return search(none, given, k, penalties, overlay);
}

}  // namespace nearkey
