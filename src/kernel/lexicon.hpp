// Words as letter strings, flattened into tries that a search walks without chasing pointers.
//
// Two views over the same entries:
//  - one trie per word length (every leaf lies at the same depth), for finished words: the largest
//    log probability below a node speaks of words of that length only, so the bound is tight;
//  - one trie of all lengths, for completions.
// A trie is stored level by level; the children of a node are neighbours on the next level.
#pragma once

#include <algorithm>
#include <cstdint>
#include <limits>
#include <numeric>
#include <span>
#include <stdexcept>
#include <vector>

namespace nearkey {

// A node above one leaf only has no children: the leaf's letters are read from its entry instead, which spares
// both the chain of nodes and the walk along it.
struct Node {
    std::uint32_t child;       // first child on the next level; or, where there are no children, the leaf's first entry
    std::uint8_t letter;
    std::uint8_t n_children;
    std::uint16_t n_entries;   // of a leaf: words typed alike
    float best;                // largest log probability of an entry below
};

constexpr int kMaxLetters = 48;

// Entries that end at a node which others go on from.
struct Ending {
    std::uint32_t first, n;
};

// levels[d] holds the nodes of depth d + 1; the root is not stored. A leaf is a string of letters.
struct Trie {
    std::vector<std::vector<Node>> levels;
    std::vector<std::vector<Ending>> ending;  // by level and node; only in the trie of all lengths
    bool empty() const { return levels.empty(); }
};

class Lexicon {
public:
    Lexicon(std::vector<std::uint8_t> letters, std::vector<std::uint32_t> offsets, std::vector<std::uint32_t> entry_word,
            std::vector<float> entry_log_prob, std::uint32_t n_letters, std::uint32_t n_words)
        : letters_(std::move(letters)), offsets_(std::move(offsets)), entry_word_(std::move(entry_word)),
          entry_log_prob_(std::move(entry_log_prob)), n_letters_(n_letters), n_words_(n_words) {
        validate();
        sort_entries();
        index_words();
        build_tries();
    }

    std::uint32_t n_letters() const { return n_letters_; }
    std::uint32_t n_words() const { return n_words_; }
    std::uint32_t n_entries() const { return static_cast<std::uint32_t>(entry_word_.size()); }
    int max_length() const { return max_length_; }

    std::span<const std::uint8_t> letters(std::uint32_t entry) const {
        return {letters_.data() + offsets_[entry], offsets_[entry + 1] - offsets_[entry]};
    }
    int length(std::uint32_t entry) const { return static_cast<int>(offsets_[entry + 1] - offsets_[entry]); }
    std::uint32_t word(std::uint32_t entry) const { return entry_word_[entry]; }
    float log_prob(std::uint32_t entry) const { return entry_log_prob_[entry]; }

    // Entries of one length are neighbours: [first_of_length(n), first_of_length(n + 1)).
    std::uint32_t first_of_length(int n) const { return length_begin_[std::min(n, max_length_ + 1)]; }

    // Entries that spell one word.
    std::span<const std::uint32_t> entries_of(std::uint32_t word) const {
        return {word_entries_.data() + word_begin_[word], word_begin_[word + 1] - word_begin_[word]};
    }

    // Letters of an entry of n letters: entries of one length stand at equal distances.
    const std::uint8_t *letters_of(std::uint32_t entry, int n) const {
        return letters_.data() + length_letters_[n] + static_cast<std::size_t>(entry - length_begin_[n]) * static_cast<std::size_t>(n);
    }

    // The trie of one length; and the trie of all, whose entries are places in its own order (`full_entry`).
    const Trie &trie(int n) const { return by_length_[n]; }
    const Trie &full_trie() const { return full_; }
    // The entry at a place of the full trie's order.
    std::uint32_t full_entry(std::uint32_t place) const { return full_order_[place]; }

    std::size_t n_bytes() const {
        std::size_t total = letters_.size() + 4 * (offsets_.size() + 2 * entry_word_.size() + word_entries_.size() + word_begin_.size());
        const auto count = [&](const Trie &t) {
            for (const auto &level : t.levels) total += level.size() * sizeof(Node);
            for (const auto &level : t.ending) total += level.size() * sizeof(Ending);
        };
        for (const auto &t : by_length_) count(t);
        count(full_);
        return total + 4 * full_order_.size();
    }

private:
    void validate() {
        const std::size_t n = entry_word_.size();
        if (offsets_.size() != n + 1 || entry_log_prob_.size() != n) throw std::invalid_argument("entry arrays differ in length");
        if (offsets_.front() != 0 || offsets_.back() != letters_.size()) throw std::invalid_argument("letter offsets do not cover the letters");
        if (n_letters_ == 0 || n_letters_ > 255) throw std::invalid_argument("between 1 and 255 letters are supported");
        for (std::size_t i = 0; i < n; ++i) {
            if (offsets_[i] >= offsets_[i + 1]) throw std::invalid_argument("an entry without letters");
            if (offsets_[i + 1] - offsets_[i] > static_cast<std::uint32_t>(kMaxLetters)) throw std::invalid_argument("an entry of more than 48 letters");
            if (entry_word_[i] >= n_words_) throw std::invalid_argument("an entry names a word outside the lexicon");
        }
        for (const std::uint8_t letter : letters_)
            if (letter >= n_letters_) throw std::invalid_argument("a letter outside the alphabet");
    }

    bool before(std::uint32_t a, std::uint32_t b) const {
        const auto x = letters(a), y = letters(b);
        if (x.size() != y.size()) return x.size() < y.size();
        const auto order = std::lexicographical_compare_three_way(x.begin(), x.end(), y.begin(), y.end());
        return order != 0 ? order < 0 : entry_word_[a] < entry_word_[b];
    }

    void sort_entries() {
        const std::uint32_t n = n_entries();
        std::vector<std::uint32_t> order(n);
        std::iota(order.begin(), order.end(), 0u);
        const auto less = [this](std::uint32_t a, std::uint32_t b) { return before(a, b); };
        if (!std::is_sorted(order.begin(), order.end(), less)) {
            std::sort(order.begin(), order.end(), less);
            std::vector<std::uint8_t> sorted_letters;
            std::vector<std::uint32_t> sorted_offsets{0}, sorted_word;
            std::vector<float> sorted_log_prob;
            sorted_letters.reserve(letters_.size());
            for (const std::uint32_t e : order) {
                const auto l = letters(e);
                sorted_letters.insert(sorted_letters.end(), l.begin(), l.end());
                sorted_offsets.push_back(static_cast<std::uint32_t>(sorted_letters.size()));
                sorted_word.push_back(entry_word_[e]);
                sorted_log_prob.push_back(entry_log_prob_[e]);
            }
            letters_ = std::move(sorted_letters);
            offsets_ = std::move(sorted_offsets);
            entry_word_ = std::move(sorted_word);
            entry_log_prob_ = std::move(sorted_log_prob);
        }
        max_length_ = n ? length(n - 1) : 0;
        length_begin_.assign(max_length_ + 2, n);
        for (std::uint32_t e = n; e-- > 0;) length_begin_[length(e)] = e;
        for (int l = max_length_; l >= 0; --l) length_begin_[l] = std::min(length_begin_[l], length_begin_[l + 1]);
        length_letters_.resize(max_length_ + 2);
        for (int l = 0; l <= max_length_ + 1; ++l) length_letters_[l] = offsets_[length_begin_[l]];
    }

    void index_words() {
        word_begin_.assign(n_words_ + 1, 0);
        for (const std::uint32_t w : entry_word_) ++word_begin_[w + 1];
        std::partial_sum(word_begin_.begin(), word_begin_.end(), word_begin_.begin());
        word_entries_.resize(n_entries());
        auto next = word_begin_;
        for (std::uint32_t e = 0; e < n_entries(); ++e) word_entries_[next[entry_word_[e]]++] = e;
    }

    // Builds a trie over entries in lexicographic order; the entry at place i of the order is order(i). Leaves
    // and endings name places, `base` added.
    template <typename Order> Trie build(std::uint32_t n, std::uint32_t base, const Order &order, bool with_endings) const {
        Trie trie;
        std::vector<std::uint32_t> strings;  // where each string's entries begin, and the end
        std::vector<float> best;             // by string
        for (std::uint32_t i = 0; i < n; ++i) {
            const std::uint32_t e = order(i);
            if (i == 0 || !std::ranges::equal(letters(e), letters(order(i - 1)))) {
                strings.push_back(i);
                best.push_back(entry_log_prob_[e]);
            } else {
                best.back() = std::max(best.back(), entry_log_prob_[e]);
            }
        }
        const auto n_strings = static_cast<std::uint32_t>(strings.size());
        strings.push_back(n);

        struct Range {
            std::uint32_t first, last;
        };
        struct Sibling {
            std::uint8_t letter;
            float best;
            std::uint32_t first, last;  // strings below
        };
        std::vector<Sibling> siblings;
        std::vector<Range> groups{{0, n_strings}};  // strings below each parent, level by level
        std::vector<std::uint32_t> parents;         // of the groups on the level above; none for the root
        for (std::size_t depth = 0; !groups.empty(); ++depth) {
            std::vector<Node> level;
            std::vector<Ending> ending;
            std::vector<Range> below;
            std::vector<std::uint32_t> inner;
            for (std::size_t g = 0; g < groups.size(); ++g) {
                const auto first_child = static_cast<std::uint32_t>(level.size());
                siblings.clear();
                for (std::uint32_t i = groups[g].first; i < groups[g].last;) {
                    const std::uint8_t letter = letters(order(strings[i]))[depth];
                    std::uint32_t j = i;
                    float most = -std::numeric_limits<float>::infinity();
                    for (; j < groups[g].last && letters(order(strings[j]))[depth] == letter; ++j) most = std::max(most, best[j]);
                    siblings.push_back(Sibling{letter, most, i, j});
                    i = j;
                }
                // The most probable first, so that a walk over siblings can stop at the first hopeless one.
                std::ranges::stable_sort(siblings, [](const Sibling &x, const Sibling &y) { return x.best > y.best; });
                for (const Sibling &s : siblings) {
                    const Ending here{base + strings[s.first], std::min(0xffffu, strings[s.first + 1] - strings[s.first])};
                    Ending ends{0, 0};
                    if (s.last - s.first > 1) {
                        const bool ends_here = letters(order(strings[s.first])).size() == depth + 1;
                        if (ends_here) ends = here;
                        inner.push_back(static_cast<std::uint32_t>(level.size()));
                        below.push_back(Range{s.first + ends_here, s.last});
                    }
                    level.push_back(Node{here.first, s.letter, 0, static_cast<std::uint16_t>(here.n), s.best});
                    if (with_endings) ending.push_back(ends);
                }
                if (depth > 0) {
                    Node &parent = trie.levels[depth - 1][parents[g]];
                    parent.child = first_child;
                    parent.n_children = static_cast<std::uint8_t>(level.size() - first_child);
                }
            }
            level.shrink_to_fit();
            trie.levels.push_back(std::move(level));
            if (with_endings) trie.ending.push_back(std::move(ending));
            groups = std::move(below);
            parents = std::move(inner);
        }
        return trie;
    }

    void build_tries() {
        by_length_.resize(max_length_ + 1);
        for (int n = 1; n <= max_length_; ++n) {
            const std::uint32_t first = first_of_length(n), last = first_of_length(n + 1);
            if (first == last) continue;
            by_length_[n] = build(last - first, first, [first](std::uint32_t i) { return first + i; }, false);
        }
        full_order_.resize(n_entries());
        std::iota(full_order_.begin(), full_order_.end(), 0u);
        std::sort(full_order_.begin(), full_order_.end(), [this](std::uint32_t a, std::uint32_t b) {
            const auto x = letters(a), y = letters(b);
            const auto c = std::lexicographical_compare_three_way(x.begin(), x.end(), y.begin(), y.end());
            return c != 0 ? c < 0 : a < b;
        });
        if (n_entries()) full_ = build(n_entries(), 0, [this](std::uint32_t i) { return full_order_[i]; }, true);
    }

    std::vector<std::uint8_t> letters_;
    std::vector<std::uint32_t> offsets_, entry_word_;
    std::vector<float> entry_log_prob_;
    std::uint32_t n_letters_, n_words_;
    int max_length_ = 0;
    std::vector<std::uint32_t> length_begin_, length_letters_, word_begin_, word_entries_;
    std::vector<Trie> by_length_;
    Trie full_;
    std::vector<std::uint32_t> full_order_;
};

}  // namespace nearkey
