// Words as letter strings, flattened into tries that a search walks without chasing pointers.
//
// Two views over the same entries:
//  - one trie per word length (every leaf lies at the same depth), for finished words: the largest
//    log probability below a node speaks of words of that length only, so the bound is tight;
//  - one trie of all lengths, for completions.
// All tries stand in one array of nodes, each level by level; the children of a node are neighbours on the next
// level. What a walk needs of the words' probabilities stands apart (`WordScores`), so that a language model's
// probabilities can take the place of the lexicon's own over the same nodes.
#pragma once

#include <algorithm>
#include <cstdint>
#include <limits>
#include <numeric>
#include <span>
#include <stdexcept>
#include <vector>

namespace nearkey {

constexpr int kMaxLetters = 48;
constexpr float kRounding = 1e-4f;  // a log probability worked out in float32 may end so little above 0

// A node above one leaf only has no children: the leaf's letters are read from its entry instead, which spares
// both the chain of nodes and the walk along it.
struct Node {
    std::uint32_t child;      // first child; or, where there are no children, the place of the leaf's first entry
    std::uint8_t letter;
    std::uint8_t n_children;
    std::uint16_t n_entries;  // of a leaf: words typed alike; elsewhere: those that end here
};

// Places of neighbouring entries.
struct Places {
    std::uint32_t first, n;
};

// Natural log probabilities as a walk reads them.
struct WordScores {
    std::vector<float> log_prob;  // by entry
    std::vector<float> best;      // by node: the largest of the entries below
    bool falling;                 // whether `best` falls along siblings
};

class Lexicon {
public:
    Lexicon(std::vector<std::uint8_t> letters, std::vector<std::uint32_t> offsets, std::vector<std::uint32_t> entry_word,
            std::vector<float> entry_log_prob, std::uint32_t n_letters, std::uint32_t n_words)
        : letters_(std::move(letters)), offsets_(std::move(offsets)), entry_word_(std::move(entry_word)),
          scores_{std::move(entry_log_prob), {}, true}, n_letters_(n_letters), n_words_(n_words) {
        validate();
        sort_entries();
        index_words();
        build_tries();
        refresh(scores_);
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
    // The lexicon's own probabilities.
    const WordScores &scores() const { return scores_; }
    // Others, given by word. A word's entries all get its probability.
    WordScores scores_of(const float *by_word) const {
        WordScores made{std::vector<float>(n_entries()), {}, false};
        for (std::uint32_t e = 0; e < n_entries(); ++e) made.log_prob[e] = std::min(by_word[entry_word_[e]], 0.0f);
        refresh(made);
        return made;
    }

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

    const std::vector<Node> &nodes() const { return nodes_; }
    // The first level of the trie of one length; none where no word has it.
    Places top(int n) const { return n >= 1 && n <= max_length_ ? tops_[n] : Places{0, 0}; }
    // That of the trie of all, whose entries are places in an order of its own (`full_entry`), and the entries that
    // end at one of its nodes while others go on from it.
    Places full_top() const { return tops_[0]; }
    Places ending(std::uint32_t node) const { return ending_[node - tops_[0].first]; }
    std::uint32_t full_entry(std::uint32_t place) const { return full_order_[place]; }

    // Entries that begin alike: by their first two letters, or by the first alone where an alphabet is too large for pairs.
    struct Beginning {
        std::uint8_t letters[2], n;
    };
    std::uint32_t n_beginnings() const { return n_letters_ * second_letters(); }
    std::uint32_t beginning_of(std::uint32_t entry) const { return beginning_[entry]; }
    Beginning beginning(std::uint32_t number) const {
        const std::uint32_t second = number % second_letters();
        return {{static_cast<std::uint8_t>(number / second_letters()), static_cast<std::uint8_t>(second - (second > 0))}, static_cast<std::uint8_t>(second > 0 ? 2 : 1)};
    }

    std::size_t n_bytes() const {
        return letters_.size() + 2 * beginning_.size() + 4 * (offsets_.size() + 2 * entry_word_.size() + word_entries_.size() + word_begin_.size() + full_order_.size() + end_.size()) +
               nodes_.size() * (sizeof(Node) + sizeof(float) + 4) + ending_.size() * sizeof(Places);
    }

private:
    void validate() {
        const std::size_t n = entry_word_.size();
        if (offsets_.size() != n + 1 || scores_.log_prob.size() != n) throw std::invalid_argument("entry arrays differ in length");
        if (offsets_.front() != 0 || offsets_.back() != letters_.size()) throw std::invalid_argument("letter offsets do not cover the letters");
        if (n_letters_ == 0 || n_letters_ > 255) throw std::invalid_argument("between 1 and 255 letters are supported");
        for (std::size_t i = 0; i < n; ++i) {
            if (offsets_[i] >= offsets_[i + 1]) throw std::invalid_argument("an entry without letters");
            if (offsets_[i + 1] - offsets_[i] > static_cast<std::uint32_t>(kMaxLetters)) throw std::invalid_argument("an entry of more than 48 letters");
            if (entry_word_[i] >= n_words_) throw std::invalid_argument("an entry names a word outside the lexicon");
        }
        for (const float value : scores_.log_prob)
            if (!(value <= kRounding)) throw std::invalid_argument("a log probability is NaN or above 0");
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
                sorted_log_prob.push_back(scores_.log_prob[e]);
            }
            letters_ = std::move(sorted_letters);
            offsets_ = std::move(sorted_offsets);
            entry_word_ = std::move(sorted_word);
            scores_.log_prob = std::move(sorted_log_prob);
        }
        max_length_ = n ? length(n - 1) : 0;
        length_begin_.assign(max_length_ + 2, n);
        for (std::uint32_t e = n; e-- > 0;) length_begin_[length(e)] = e;
        for (int l = max_length_; l >= 0; --l) length_begin_[l] = std::min(length_begin_[l], length_begin_[l + 1]);
        length_letters_.resize(max_length_ + 2);
        for (int l = 0; l <= max_length_ + 1; ++l) length_letters_[l] = offsets_[length_begin_[l]];
    }

    std::uint32_t second_letters() const { return n_letters_ <= 64 ? n_letters_ + 1 : 1; }

    void index_words() {
        beginning_.resize(n_entries());
        for (std::uint32_t e = 0; e < n_entries(); ++e) {
            const auto l = letters(e);
            beginning_[e] = static_cast<std::uint16_t>(l[0] * second_letters() + (second_letters() > 1 && l.size() > 1 ? l[1] + 1u : 0u));
        }
        word_begin_.assign(n_words_ + 1, 0);
        for (const std::uint32_t w : entry_word_) ++word_begin_[w + 1];
        std::partial_sum(word_begin_.begin(), word_begin_.end(), word_begin_.begin());
        word_entries_.resize(n_entries());
        auto next = word_begin_;
        for (std::uint32_t e = 0; e < n_entries(); ++e) word_entries_[next[entry_word_[e]]++] = e;
    }

    // Appends the trie of entries in lexicographic order; the entry at place i of the order is order(i). Leaves
    // and endings name places, `base` added. Gives the first level.
    template <typename Order> Places build(std::uint32_t n, std::uint32_t base, const Order &order, bool with_endings) {
        std::vector<std::uint32_t> strings;  // where each string's entries begin, and the end
        std::vector<float> best;             // by string
        for (std::uint32_t i = 0; i < n; ++i) {
            const std::uint32_t e = order(i);
            if (i == 0 || !std::ranges::equal(letters(e), letters(order(i - 1)))) {
                strings.push_back(i);
                best.push_back(scores_.log_prob[e]);
            } else {
                best.back() = std::max(best.back(), scores_.log_prob[e]);
            }
        }
        const auto n_strings = static_cast<std::uint32_t>(strings.size());
        strings.push_back(n);
        for (std::uint32_t i = 0; i < n_strings; ++i)
            if (strings[i + 1] - strings[i] > 0xffffu) throw std::invalid_argument("more than 65,535 entries are typed alike");

        struct Group {
            std::uint32_t first, last, parent;  // strings below a parent
        };
        struct Sibling {
            std::uint8_t letter;
            float best;
            std::uint32_t first, last;  // strings below
        };
        std::vector<Sibling> siblings;
        const auto start = static_cast<std::uint32_t>(nodes_.size());
        Places top{start, 0};
        std::vector<Group> groups{{0, n_strings, 0}};
        for (std::size_t depth = 0; !groups.empty(); ++depth) {
            std::vector<Group> below;
            for (const Group &group : groups) {
                const auto first_child = static_cast<std::uint32_t>(nodes_.size());
                siblings.clear();
                for (std::uint32_t i = group.first; i < group.last;) {
                    const std::uint8_t letter = letters(order(strings[i]))[depth];
                    std::uint32_t j = i;
                    float most = -std::numeric_limits<float>::infinity();
                    for (; j < group.last && letters(order(strings[j]))[depth] == letter; ++j) most = std::max(most, best[j]);
                    siblings.push_back(Sibling{letter, most, i, j});
                    i = j;
                }
                // The most probable first, so that a walk over siblings can stop at the first hopeless one.
                std::ranges::stable_sort(siblings, [](const Sibling &x, const Sibling &y) { return x.best > y.best; });
                for (const Sibling &s : siblings) {
                    const Places here{base + strings[s.first], strings[s.first + 1] - strings[s.first]};
                    Places ends{0, 0};
                    if (s.last - s.first > 1) {
                        const bool ends_here = letters(order(strings[s.first])).size() == depth + 1;
                        if (ends_here) ends = here;
                        below.push_back(Group{s.first + ends_here, s.last, static_cast<std::uint32_t>(nodes_.size())});
                    }
                    const auto made = static_cast<std::uint32_t>(nodes_.size());
                    parent_.push_back(depth == 0 ? made : group.parent);
                    if (s.last - s.first == 1 || ends.n)
                        for (std::uint32_t i = strings[s.first]; i < strings[s.first + 1]; ++i) end_[(with_endings ? n_entries() : 0) + order(i)] = made;
                    nodes_.push_back(Node{here.first, s.letter, 0, static_cast<std::uint16_t>(s.last - s.first > 1 ? ends.n : here.n)});
                    if (with_endings) ending_.push_back(ends);
                }
                if (depth == 0) {
                    top.n = static_cast<std::uint32_t>(nodes_.size()) - start;
                } else {
                    Node &parent = nodes_[group.parent];
                    parent.child = first_child;
                    parent.n_children = static_cast<std::uint8_t>(nodes_.size() - first_child);
                }
            }
            groups = std::move(below);
        }
        return top;
    }

    void build_tries() {
        end_.resize(2 * static_cast<std::size_t>(n_entries()));
        tops_.assign(max_length_ + 1, Places{0, 0});
        for (int n = 1; n <= max_length_; ++n) {
            const std::uint32_t first = first_of_length(n), last = first_of_length(n + 1);
            if (first != last) tops_[n] = build(last - first, first, [first](std::uint32_t i) { return first + i; }, false);
        }
        full_order_.resize(n_entries());
        std::iota(full_order_.begin(), full_order_.end(), 0u);
        std::sort(full_order_.begin(), full_order_.end(), [this](std::uint32_t a, std::uint32_t b) {
            const auto x = letters(a), y = letters(b);
            const auto c = std::lexicographical_compare_three_way(x.begin(), x.end(), y.begin(), y.end());
            return c != 0 ? c < 0 : a < b;
        });
        tops_[0] = Places{static_cast<std::uint32_t>(nodes_.size()), 0};
        if (n_entries()) tops_[0] = build(n_entries(), 0, [this](std::uint32_t i) { return full_order_[i]; }, true);
        nodes_.shrink_to_fit();
        ending_.shrink_to_fit();
        parent_.shrink_to_fit();
    }

    // The largest below each node. Children stand behind their parents, so one pass from the end does; where to hand
    // each value on is kept, as testing each node for its kind took longer.
    void refresh(WordScores &scores) const {
        scores.best.assign(nodes_.size(), -std::numeric_limits<float>::infinity());
        float *best = scores.best.data();
        const std::size_t n = n_entries();
        for (std::size_t e = 0; e < n; ++e) {
            float &in_length = best[end_[e]], &in_full = best[end_[n + e]];
            in_length = std::max(in_length, scores.log_prob[e]);
            in_full = std::max(in_full, scores.log_prob[e]);
        }
        for (std::size_t i = nodes_.size(); i-- > 0;) {
            float &above = best[parent_[i]];
            above = std::max(above, best[i]);
        }
    }

    std::vector<std::uint8_t> letters_;
    std::vector<std::uint32_t> offsets_, entry_word_;
    WordScores scores_;
    std::uint32_t n_letters_, n_words_;
    int max_length_ = 0;
    std::vector<std::uint32_t> length_begin_, length_letters_, word_begin_, word_entries_;
    std::vector<std::uint16_t> beginning_;  // by entry
    std::vector<Node> nodes_;
    std::vector<Places> tops_;  // by length; that of the trie of all at 0
    std::vector<Places> ending_;
    std::vector<std::uint32_t> parent_;  // by node; the first level's are their own
    std::vector<std::uint32_t> end_;     // by entry, the node it ends at: first in its length's trie, then in that of all
    std::vector<std::uint32_t> full_order_;
};

}  // namespace nearkey
