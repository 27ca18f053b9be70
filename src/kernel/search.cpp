#include "search.hpp"

#include <algorithm>
#include <array>
#include <atomic>
#include <cmath>
#include <stdexcept>

namespace nearkey {

namespace {

constexpr std::uint32_t kNoWord = 0xffffffffu;
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

void Searcher::emissions_from_columns(const double *columns, int n_touches, std::size_t n_columns, Emissions &out) const {
    const std::uint32_t n_letters = lexicon_->n_letters();
    out.n_touches = n_touches;
    out.n_letters = n_letters;
    out.value.resize(static_cast<std::size_t>(n_touches) * n_letters);
    out.rest.resize(n_touches + 1);
    out.rest[n_touches] = 0.0;
    for (int i = n_touches; i-- > 0;) {
        const double *row = columns + static_cast<std::size_t>(i) * n_columns;
        double *to = out.value.data() + static_cast<std::size_t>(i) * n_letters;
        double best = kMinusInfinity;
        for (std::uint32_t a = 0; a < n_letters; ++a) {
            to[a] = row[letter_column_[a]];
            best = std::max(best, to[a]);
        }
        out.rest[i] = out.rest[i + 1] + best;
    }
}

void Searcher::emissions_from_points(const Emitter &emitter, const double *points, int n_touches, Emissions &out) const {
    thread_local std::vector<double> columns;
    const std::size_t n = emitter.n_keys();
    columns.resize(static_cast<std::size_t>(n_touches) * n);
    for (int i = 0; i < n_touches; ++i) emitter.log_probs(points[2 * i], points[2 * i + 1], columns.data() + i * n);
    emissions_from_columns(columns.data(), n_touches, n, out);
}

double Searcher::touch_of(const Emissions &emissions, std::uint32_t entry) const {
    const auto letters = lexicon_->letters(entry);
    if (static_cast<int>(letters.size()) != emissions.n_touches) return kMinusInfinity;
    double touch = 0.0;
    for (int i = 0; i < emissions.n_touches; ++i) touch += emissions.row(i)[letters[i]];
    return touch;
}

double Searcher::language(const NgramTable::Context &context, std::uint32_t word) const {
    const std::uint32_t token = token_[word];
    if (token == table_->unk()) {
        const auto entries = lexicon_->entries_of(word);
        return context.unigram_shift + (entries.empty() ? kMinusInfinity : lexicon_->log_prob(entries[0]));
    }
    return table_->log_prob(context, token);
}

// The followers of one context, kept from touch to touch of a word and grouped by their first two letters.
// Completions must look at all of them (thousands after "the"): a group whose letters do not fit
// the touches is passed over whole.
struct Searcher::FollowerCache {
    struct Follower {
        double language;  // log P(word | context)
        std::uint32_t word, entry;
    };
    struct Group {
        double best = kMinusInfinity;  // largest language
        std::uint32_t first = 0, last = 0;
        std::uint8_t letters[2] = {0, 0};
        std::uint8_t n_letters = 0;  // letters that all its spellings begin with
    };

    std::uint64_t searcher = 0;
    std::vector<std::uint32_t> context;
    std::vector<Follower> list;
    std::vector<Group> groups;
    Marks marks;

    void fill(const Searcher &s, std::span<const std::uint32_t> words, const NgramTable::Context &resolved) {
        if (searcher == s.id_ && std::ranges::equal(context, words)) return;
        searcher = s.id_;
        context.assign(words.begin(), words.end());
        marks.begin(s.lexicon_->n_words());
        const Lexicon &lexicon = *s.lexicon_;
        const NgramTable &table = *s.table_;
        thread_local std::vector<Follower> found;
        found.clear();
        for (int i = 0; i < resolved.n_spans; ++i) {
            const auto &span = resolved.spans[i];
            for (std::uint64_t at = span.begin; at < span.end; ++at) {
                const std::uint32_t word = s.word_of_token_[table.id_at(span.level, at)];
                if (word == kNoWord || !marks.set(word)) continue;
                for (const std::uint32_t entry : lexicon.entries_of(word))
                    found.push_back(Follower{span.shift + table.prob_at(span.level, at), word, entry});
            }
        }
        // Alphabets too large for pairs are grouped by the first letter alone.
        const std::uint32_t n_letters = lexicon.n_letters();
        const bool pairs = n_letters <= 64;
        const std::uint32_t width = pairs ? n_letters + 1 : 1;
        const auto group_of = [&](const Follower &f) {
            const auto letters = lexicon.letters(f.entry);
            const std::uint32_t second = pairs && letters.size() > 1 ? letters[1] + 1u : 0u;
            return letters[0] * width + second;
        };
        std::vector<Group> all(static_cast<std::size_t>(n_letters) * width);
        for (const Follower &f : found) ++all[group_of(f)].last;
        std::uint32_t total = 0;
        for (std::uint32_t g = 0; g < all.size(); ++g) {
            Group &group = all[g];
            group.first = total;
            total += group.last;
            group.last = group.first;
            group.letters[0] = static_cast<std::uint8_t>(g / width);
            group.n_letters = 1;
            if (g % width > 0) {
                group.letters[1] = static_cast<std::uint8_t>(g % width - 1);
                group.n_letters = 2;
            }
        }
        list.resize(found.size());
        for (const Follower &f : found) {
            Group &group = all[group_of(f)];
            list[group.last++] = f;
            group.best = std::max(group.best, f.language);
        }
        groups.clear();
        for (const Group &group : all)
            if (group.last > group.first) groups.push_back(group);
        // The most probable first: they set the threshold for the rest.
        std::ranges::sort(groups, [](const Group &x, const Group &y) { return x.best != y.best ? x.best > y.best : x.first < y.first; });
    }
};

// One search: its inputs, its threshold and its scratch.
struct Searcher::Walk {
    const Searcher &s;
    const Emissions &e;
    const Penalties &p;
    Best best;
    const Marks &marks;  // words scored outright as followers
    const Marks *own;    // words scored outright for the overlay; null where there are none
    double weight;  // lm_weight
    double shift;   // what the context adds to the unigram score of every word left in the tries

    bool done(std::uint32_t word) const { return marks.has(word) || (own && own->has(word)); }
    const Lexicon &lexicon() const { return *s.lexicon_; }
    double emission(int touch, std::uint32_t letter) const { return e.row(touch)[letter]; }

    // ---- words scored outright: followers of the context and overlay words ----

    void offer_outright(std::uint32_t word, double language) {
        for (const std::uint32_t entry : lexicon().entries_of(word)) offer_spelling(word, lexicon().letters(entry), language);
    }

    void offer_spelling(std::uint32_t word, std::span<const std::uint8_t> letters, double language) {
        const double scaled = weight * language;
        const int length = static_cast<int>(letters.size()), n = e.n_touches;
        if (length == n) {
            offer_same_length(word, letters.data(), scaled);
        } else if (length > n) {
            if (length == n + 1 && p.omitted > kMinusInfinity) offer_omitted(word, letters.data(), length, scaled);
            if (p.completion > kMinusInfinity) offer_completion(word, letters.data(), scaled);
        } else if (length == n - 1 && length > 0 && p.extra > kMinusInfinity) {
            offer_extra(word, letters.data(), length, scaled);
        }
    }

    void offer(std::uint32_t word, double touch, double scaled, Kind kind) {
        best.offer(Hit{touch + scaled, touch, scaled, word, kind});
    }

    void offer_same_length(std::uint32_t word, const std::uint8_t *letters, double scaled) {
        const int n = e.n_touches;
        double touch = 0.0;
        if (p.swapped == kMinusInfinity) {
            for (int i = 0; i < n; ++i) {
                if (!(touch + e.rest[i] + scaled > best.threshold())) return;
                touch += emission(i, letters[i]);
            }
            offer(word, touch, scaled, Kind::word);
            return;
        }
        double before = kMinusInfinity, swapped = kMinusInfinity;
        for (int i = 0; i < n; ++i) {
            // A swap under way has yet to place both its touches.
            const double crossing = i > 0 ? before + p.swapped + e.rest[i - 1] : kMinusInfinity;
            if (!(std::max(std::max(touch, swapped) + e.rest[i], crossing) + scaled > best.threshold())) return;
            double next_swapped = swapped + emission(i, letters[i]);
            if (i > 0) {
                const double cross = before + p.swapped + emission(i - 1, letters[i]) + emission(i, letters[i - 1]);
                next_swapped = std::max(next_swapped, cross);
            }
            before = touch;
            touch += emission(i, letters[i]);
            swapped = next_swapped;
        }
        offer(word, touch, scaled, Kind::word);
        offer(word, swapped, scaled, Kind::swapped);
    }

    void offer_omitted(std::uint32_t word, const std::uint8_t *letters, int length, double scaled) {
        double all = 0.0, omitted = kMinusInfinity;  // all letters so far touched; one left out
        for (int d = 0; d < length; ++d) {
            if (!(std::max(all + e.rest[d] + p.omitted, d > 0 ? omitted + e.rest[d - 1] : kMinusInfinity) + scaled > best.threshold())) return;
            const double through = d > 0 ? omitted + emission(d - 1, letters[d]) : kMinusInfinity;
            omitted = std::max(through, all + p.omitted);
            if (d < e.n_touches) all += emission(d, letters[d]);
        }
        offer(word, omitted, scaled, Kind::omitted);
    }

    void offer_extra(std::uint32_t word, const std::uint8_t *letters, int length, double scaled) {
        double none = 0.0, extra = kMinusInfinity;
        for (int d = 0; d < length; ++d) {
            extra = std::max(extra, none + p.extra) + emission(d + 1, letters[d]);
            none += emission(d, letters[d]);
        }
        offer(word, std::max(extra, none + p.extra), scaled, Kind::extra);
    }

    void offer_completion(std::uint32_t word, const std::uint8_t *letters, double scaled) {
        double touch = 0.0;
        for (int i = 0; i < e.n_touches; ++i) {
            if (!(touch + e.rest[i] + p.completion + scaled > best.threshold())) return;
            touch += emission(i, letters[i]);
        }
        offer(word, touch + p.completion, scaled, Kind::completion);
    }

    // ---- walks over the tries ----

    double language_bound(const Node &node) const { return weight * (shift + node.best); }

    // The words of one leaf, scored by `score(entry, weighted language)`.
    template <typename Score> void each_entry(const Node &leaf, Score &&score) {
        for (std::uint32_t entry = leaf.child; entry < leaf.child + leaf.n_entries; ++entry)
            if (!done(lexicon().word(entry))) score(entry, weight * (shift + lexicon().log_prob(entry)));
    }

    // Visits the children that may lead to a hit, best bound first. `most_touch` is no less than any child's bound
    // without its language: siblings come by falling probability, so the first that fails with it ends the scan.
    template <typename Bound, typename Visit>
    void children(const std::vector<Node> &level, std::uint32_t first, std::uint32_t n, double most_touch, Bound &&bound, Visit &&visit) {
        // Few children pass and fewer are visited: picking the best each time beats sorting.
        std::array<Child, 256> fringe;
        std::size_t size = 0;
        const Node *node = level.data() + first;
        const double threshold = best.threshold();
        for (std::uint32_t i = 0; i < n; ++i) {
            const double language = language_bound(node[i]);
            if (!(most_touch + language > threshold)) break;
            const double b = bound(node[i]) + language;
            fringe[size] = Child{b, i};
            size += b > threshold;
        }
        while (size > 0) {
            std::size_t most = 0;
            for (std::size_t i = 1; i < size; ++i)
                if (fringe[i].bound > fringe[most].bound) most = i;
            if (!(fringe[most].bound > best.threshold())) break;
            const Node &chosen = node[fringe[most].node];
            fringe[most] = fringe[--size];
            visit(chosen);
        }
    }

    // Words of as many letters as touches, no edit.
    void walk_same(const Trie &trie, int depth, std::uint32_t first, std::uint32_t n, double touch) {
        const double *row = e.row(depth);
        const double ahead = touch + e.rest[depth + 1];
        children(
            trie.levels[depth], first, n, touch + e.rest[depth], [&](const Node &node) { return ahead + row[node.letter]; },
            [&](const Node &node) {
                const double here = touch + row[node.letter];
                if (node.n_children)
                    walk_same(trie, depth + 1, node.child, node.n_children, here);
                else
                    end_same(node, depth + 1, here);
            });
    }

    // The rest of the letters of a lone leaf.
    void end_same(const Node &node, int depth, double touch) {
        const std::uint8_t *letters = lexicon().letters_of(node.child, e.n_touches);
        const double language = language_bound(node);
        for (int d = depth; d < e.n_touches; ++d) {
            touch += emission(d, letters[d]);
            if (!(touch + e.rest[d + 1] + language > best.threshold())) return;
        }
        each_entry(node, [&](std::uint32_t entry, double scaled) { offer(lexicon().word(entry), touch, scaled, Kind::word); });
    }

    // Words of as many letters as touches, two neighbours swapped. `before` is the plain score two letters
    // up, `parent` the letter above.
    void walk_swapped(const Trie &trie, int depth, std::uint32_t first, std::uint32_t n, double before, std::uint32_t parent, double plain,
                      double swapped) {
        const auto step = [&](std::uint32_t letter) {
            double next = swapped + emission(depth, letter);
            if (depth > 0) next = std::max(next, before + p.swapped + emission(depth - 1, letter) + emission(depth, parent));
            return next;
        };
        // A swap that starts at this letter puts this touch on the next letter: bounded by the row's best.
        const double open = depth + 1 < e.n_touches ? plain + e.rest[depth] + p.swapped : kMinusInfinity;
        children(
            trie.levels[depth], first, n, kInfinity, [&](const Node &node) { return std::max(open, step(node.letter) + e.rest[depth + 1]); },
            [&](const Node &node) {
                if (node.n_children)
                    walk_swapped(trie, depth + 1, node.child, node.n_children, plain, node.letter, plain + emission(depth, node.letter), step(node.letter));
                else
                    each_entry(node, [&](std::uint32_t entry, double scaled) {
                        offer_same_length(lexicon().word(entry), lexicon().letters(entry).data(), scaled);
                    });
            });
    }

    // Words of one letter more than touches: one letter has no touch.
    void walk_omitted(const Trie &trie, int depth, std::uint32_t first, std::uint32_t n, double all, double omitted) {
        const int touches = e.n_touches;
        const auto step = [&](std::uint32_t letter) {
            const double through = depth > 0 ? omitted + emission(depth - 1, letter) : kMinusInfinity;
            return std::max(through, all + p.omitted);
        };
        const auto plain = [&](std::uint32_t letter) { return depth < touches ? all + emission(depth, letter) : kMinusInfinity; };
        children(
            trie.levels[depth], first, n, kInfinity,
            [&](const Node &node) {
                const double open = depth < touches ? plain(node.letter) + e.rest[depth + 1] + p.omitted : kMinusInfinity;
                return std::max(open, step(node.letter) + e.rest[depth]);
            },
            [&](const Node &node) {
                if (node.n_children)
                    walk_omitted(trie, depth + 1, node.child, node.n_children, plain(node.letter), step(node.letter));
                else
                    each_entry(node, [&](std::uint32_t entry, double scaled) {
                        offer_omitted(lexicon().word(entry), lexicon().letters(entry).data(), touches + 1, scaled);
                    });
            });
    }

    // Words of one letter less than touches: one touch means nothing. slack[d] = the least that any
    // touch from d on loses when it is the extra one.
    void walk_extra(const Trie &trie, const double *slack, int depth, std::uint32_t first, std::uint32_t n, double none, double extra) {
        const auto step = [&](std::uint32_t letter) { return std::max(extra, none + p.extra) + emission(depth + 1, letter); };
        children(
            trie.levels[depth], first, n, kInfinity,
            [&](const Node &node) {
                const double open = none + emission(depth, node.letter) + e.rest[depth + 1] + slack[depth + 1];
                return std::max(open, step(node.letter) + e.rest[depth + 2]);
            },
            [&](const Node &node) {
                if (node.n_children)
                    walk_extra(trie, slack, depth + 1, node.child, node.n_children, none + emission(depth, node.letter), step(node.letter));
                else
                    each_entry(node, [&](std::uint32_t entry, double scaled) {
                        offer_extra(lexicon().word(entry), lexicon().letters(entry).data(), e.n_touches - 1, scaled);
                    });
            });
    }

    // Words that begin with the touched letters and go on.
    void walk_completion(int depth, std::uint32_t first, std::uint32_t n, double touch) {
        const Trie &trie = lexicon().full_trie();
        const int touches = e.n_touches;
        const double ahead = touch + (depth < touches ? e.rest[depth + 1] : 0.0) + p.completion;
        const auto here = [&](const Node &node) { return depth < touches ? emission(depth, node.letter) : 0.0; };
        children(
            trie.levels[depth], first, n, touch + (depth < touches ? e.rest[depth] : 0.0) + p.completion,
            [&](const Node &node) { return ahead + here(node); },
            [&](const Node &node) {
                if (!node.n_children) {
                    offer_completions(Ending{node.child, node.n_entries});
                    return;
                }
                offer_completions(trie.ending[depth][static_cast<std::size_t>(&node - trie.levels[depth].data())]);
                walk_completion(depth + 1, node.child, node.n_children, touch + here(node));
            });
    }

    void offer_completions(const Ending &ending) {
        for (std::uint32_t place = ending.first; place < ending.first + ending.n; ++place) {
            const std::uint32_t entry = lexicon().full_entry(place), word = lexicon().word(entry);
            if (lexicon().length(entry) > e.n_touches && !done(word))
                offer_completion(word, lexicon().letters(entry).data(), weight * (shift + lexicon().log_prob(entry)));
        }
    }

    bool has_length(int n) const { return n >= 1 && n <= lexicon().max_length() && !lexicon().trie(n).empty(); }
    static std::uint32_t top(const Trie &trie) { return static_cast<std::uint32_t>(trie.levels[0].size()); }

    void walk_all() {
        const int n = e.n_touches;
        if (n > 0 && has_length(n)) {
            const Trie &trie = lexicon().trie(n);
            walk_same(trie, 0, 0, top(trie), 0.0);
            if (n >= 2 && p.swapped > kMinusInfinity) walk_swapped(trie, 0, 0, top(trie), kMinusInfinity, 0, 0.0, kMinusInfinity);
        }
        if (n > 0 && has_length(n + 1) && p.omitted > kMinusInfinity) {
            const Trie &trie = lexicon().trie(n + 1);
            walk_omitted(trie, 0, 0, top(trie), 0.0, kMinusInfinity);
        }
        if (has_length(n - 1) && p.extra > kMinusInfinity) {
            std::array<double, kMaxLetters + 3> slack;
            slack[n] = kMinusInfinity;
            for (int i = n; i-- > 0;) slack[i] = std::max(slack[i + 1], p.extra - (e.rest[i] - e.rest[i + 1]));
            const Trie &trie = lexicon().trie(n - 1);
            walk_extra(trie, slack.data(), 0, 0, top(trie), 0.0, kMinusInfinity);
        }
        if (p.completion > kMinusInfinity && n < lexicon().max_length()) walk_completion(0, 0, top(lexicon().full_trie()), 0.0);
    }

    // ---- the explicit followers of the context ----

    // Only words of the lengths that matter are read from the table.
    void offer_followers(const NgramTable &table, const NgramTable::Context &context, double keep, Marks &mark) {
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
            const std::uint64_t first = table.lower_bound(span.level, span.begin, span.end, low);
            for (std::uint64_t at = first; at < span.end; ++at) {
                const std::uint32_t token = table.id_at(span.level, at);
                if (token >= high) break;
                const std::uint32_t word = s.word_of_token_[token];
                if (word == kNoWord || !mark.set(word)) continue;
                const double language = keep + span.shift + table.prob_at(span.level, at);
                if (best_touch + weight * language > best.threshold() && !(own && own->has(word))) offer_outright(word, language);
            }
        }
    }

    // Followers that go on after the last touch, from the list kept for the context.
    void offer_completing(const FollowerCache &cache, double keep) {
        const int n = e.n_touches;
        for (const auto &group : cache.groups) {
            double touch = p.completion + weight * keep;
            const int seen = std::min(n, static_cast<int>(group.n_letters));
            for (int i = 0; i < seen; ++i) touch += emission(i, group.letters[i]);
            const double ahead = touch + e.rest[seen];
            if (!(ahead + weight * group.best > best.threshold())) continue;
            for (std::uint32_t i = group.first; i < group.last; ++i) {
                const auto &follower = cache.list[i];
                if (!(ahead + weight * follower.language > best.threshold())) continue;
                const auto letters = lexicon().letters(follower.entry);
                if (static_cast<int>(letters.size()) <= n || (own && own->has(follower.word))) continue;
                offer_completion(follower.word, letters.data(), weight * (keep + follower.language));
            }
        }
    }

    double best_touch = 0.0;  // no word's touch score can exceed it
};

std::vector<Hit> Searcher::search(const Emissions &emissions, std::span<const std::uint32_t> context, std::size_t k,
                                  const Penalties &penalties, const Overlay &overlay) const {
    thread_local Marks followers, own;
    thread_local FollowerCache cache;
    if (k == 0 || emissions.n_touches > kMaxLetters) return {};
    const bool completing = table_ && penalties.completion > kMinusInfinity;
    NgramTable::Context resolved;
    if (table_) resolved = table_->resolve(context.data(), context.size());
    if (completing) cache.fill(*this, context, resolved);
    followers.begin(lexicon_->n_words());
    if (!overlay.word.empty()) own.begin(lexicon_->n_words());

    Walk walk{*this, emissions, penalties, Best(k, penalties.window), completing ? cache.marks : followers,
              overlay.word.empty() ? nullptr : &own, lm_weight_, overlay.keep + resolved.unigram_shift};
    // An extra touch may be cheaper than the best letter for it.
    walk.best_touch = emissions.rest[0];
    if (penalties.extra > kMinusInfinity) {
        double gain = 0.0;
        for (int i = 0; i < emissions.n_touches; ++i)
            gain = std::max(gain, penalties.extra - (emissions.rest[i] - emissions.rest[i + 1]));
        walk.best_touch += gain;
    }
    for (std::size_t i = 0; i < overlay.word.size(); ++i) {
        const std::uint32_t word = overlay.word[i];
        const auto entries = lexicon_->entries_of(word);
        if (entries.empty()) continue;
        own.set(word);
        const bool fits = std::ranges::any_of(entries, [&](std::uint32_t entry) {
            const int length = lexicon_->length(entry), n = emissions.n_touches;
            return length > n ? length == n + 1 || penalties.completion > kMinusInfinity : length + 1 >= n;
        });
        if (!fits) continue;
        const double base = table_ ? language(resolved, word) : lexicon_->log_prob(entries[0]);
        walk.offer_outright(word, log_add(overlay.keep + base, overlay.log_prob[i]));
    }
    for (std::size_t j = 0; j < overlay.new_log_prob.size(); ++j) {
        const std::uint32_t first = overlay.new_offset[j], last = overlay.new_offset[j + 1];
        walk.offer_spelling(lexicon_->n_words() + static_cast<std::uint32_t>(j),
                            std::span(overlay.new_letters).subspan(first, last - first), overlay.new_log_prob[j]);
    }
    if (table_) walk.offer_followers(*table_, resolved, overlay.keep, followers);
    if (completing) walk.offer_completing(cache, overlay.keep);
    walk.walk_all();
    return walk.best.hits();
}

std::vector<Hit> Searcher::predict(std::span<const std::uint32_t> context, std::size_t k, const Overlay &overlay) const {
    Emissions none;
    none.n_letters = lexicon_->n_letters();
    none.rest.assign(1, 0.0);
    Penalties penalties;
    penalties.completion = 0.0;
    return search(none, context, k, penalties, overlay);
}

}  // namespace nearkey
