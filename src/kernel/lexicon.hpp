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

struct Node {
    std::uint32_t child : 24;   // first child on the next level; the next node's value ends the range
    std::uint32_t letter : 8;
    float best;                 // largest log probability of an entry below
};

constexpr int kMaxLetters = 48;
constexpr std::uint32_t kMaxLevelNodes = (1u << 24) - 1;

struct Trie {
    // levels[d] holds the nodes of depth d + 1 and one sentinel. The root is not stored.
    std::vector<std::vector<Node>> levels;
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

    // The trie of one length; leaf i covers the entries [leaf_begin(n)[i], leaf_begin(n)[i + 1]).
    const Trie &trie(int n) const { return by_length_[n]; }
    const std::vector<std::uint32_t> &leaf_begin(int n) const { return leaf_begin_[n]; }

    // The trie of all lengths; node i of depth d ends the entries [end_begin(d)[i], end_begin(d)[i + 1]).
    const Trie &full_trie() const { return full_; }
    const std::vector<std::uint32_t> &end_begin(int depth) const { return end_begin_[depth]; }

    std::size_t n_bytes() const {
        std::size_t total = letters_.size() + 4 * (offsets_.size() + 2 * entry_word_.size() + word_entries_.size() + word_begin_.size());
        const auto count = [&](const Trie &t) {
            for (const auto &level : t.levels) total += level.size() * sizeof(Node);
        };
        for (const auto &t : by_length_) count(t);
        count(full_);
        for (const auto &v : leaf_begin_) total += 4 * v.size();
        for (const auto &v : end_begin_) total += 4 * v.size();
        return total;
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
    }

    void index_words() {
        word_begin_.assign(n_words_ + 1, 0);
        for (const std::uint32_t w : entry_word_) ++word_begin_[w + 1];
        std::partial_sum(word_begin_.begin(), word_begin_.end(), word_begin_.begin());
        word_entries_.resize(n_entries());
        auto next = word_begin_;
        for (std::uint32_t e = 0; e < n_entries(); ++e) word_entries_[next[entry_word_[e]]++] = e;
    }

    // Builds a trie over entries in lexicographic order, reporting the node each entry ends at.
    template <typename Order, typename EndsAt> Trie build(const Order &order, int depth, EndsAt &&ends_at) const {
        Trie trie;
        trie.levels.resize(depth);
        const std::uint8_t *previous = nullptr;
        std::size_t previous_size = 0;
        for (const std::uint32_t e : order) {
            const auto l = letters(e);
            std::size_t shared = 0;
            while (shared < l.size() && shared < previous_size && l[shared] == previous[shared]) ++shared;
            for (std::size_t d = shared; d < l.size(); ++d) {
                auto &level = trie.levels[d];
                if (level.size() >= kMaxLevelNodes) throw std::invalid_argument("a trie level of more than 16 million nodes");
                const std::size_t below = d + 1 < trie.levels.size() ? trie.levels[d + 1].size() : 0;
                level.push_back(Node{static_cast<std::uint32_t>(below), l[d], -std::numeric_limits<float>::infinity()});
            }
            for (std::size_t d = 0; d < l.size(); ++d) {
                float &best = trie.levels[d].back().best;
                best = std::max(best, entry_log_prob_[e]);
            }
            ends_at(static_cast<int>(l.size()), trie.levels[l.size() - 1].size() - 1, e);
            previous = l.data();
            previous_size = l.size();
        }
        for (std::size_t d = 0; d < trie.levels.size(); ++d) {
            const std::size_t below = d + 1 < trie.levels.size() ? trie.levels[d + 1].size() : 0;
            trie.levels[d].push_back(Node{static_cast<std::uint32_t>(below), 0, 0.0f});
            trie.levels[d].shrink_to_fit();
        }
        return trie;
    }

    void build_tries() {
        by_length_.resize(max_length_ + 1);
        leaf_begin_.resize(max_length_ + 1);
        for (int n = 1; n <= max_length_; ++n) {
            const std::uint32_t first = first_of_length(n), last = first_of_length(n + 1);
            if (first == last) continue;
            std::vector<std::uint32_t> order(last - first);
            std::iota(order.begin(), order.end(), first);
            auto &begin = leaf_begin_[n];
            by_length_[n] = build(order, n, [&](int, std::size_t node, std::uint32_t e) {
                if (node == begin.size()) begin.push_back(e);
            });
            begin.push_back(last);
        }

        std::vector<std::uint32_t> order(n_entries());
        std::iota(order.begin(), order.end(), 0u);
        std::sort(order.begin(), order.end(), [this](std::uint32_t a, std::uint32_t b) {
            const auto x = letters(a), y = letters(b);
            const auto c = std::lexicographical_compare_three_way(x.begin(), x.end(), y.begin(), y.end());
            return c != 0 ? c < 0 : a < b;
        });
        // Entries that end at depth d, taken node by node, are the entries of length d in their own order.
        end_begin_.assign(max_length_ + 1, {});
        std::vector<std::vector<std::uint32_t>> ended(max_length_ + 1);
        full_ = build(order, max_length_, [&](int depth, std::size_t node, std::uint32_t) {
            auto &counts = ended[depth];
            if (counts.size() <= node) counts.resize(node + 1, 0);
            ++counts[node];
        });
        for (int d = 1; d <= max_length_; ++d) {
            const std::size_t nodes = full_.levels[d - 1].size() - 1;
            ended[d].resize(nodes, 0);
            auto &begin = end_begin_[d];
            begin.resize(nodes + 1);
            begin[0] = first_of_length(d);
            for (std::size_t i = 0; i < nodes; ++i) begin[i + 1] = begin[i] + ended[d][i];
        }
    }

    std::vector<std::uint8_t> letters_;
    std::vector<std::uint32_t> offsets_, entry_word_;
    std::vector<float> entry_log_prob_;
    std::uint32_t n_letters_, n_words_;
    int max_length_ = 0;
    std::vector<std::uint32_t> length_begin_, word_begin_, word_entries_;
    std::vector<Trie> by_length_;
    std::vector<std::vector<std::uint32_t>> leaf_begin_, end_begin_;
    Trie full_;
};

}  // namespace nearkey
