// Read-only n-gram table over a memory-mapped buffer. Format 1 is described in DEVELOPERS.md.
#pragma once

#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>
#include <cstring>
#include <stdexcept>
#include <string>
#include <utility>
#include <vector>

namespace nearkey {

class NgramTable {
public:
    static constexpr int kMaxOrder = 5;
    static constexpr std::size_t kHeaderBytes = 256;

    // The buffer must outlive the table. Throws std::invalid_argument for any bytes that are
    // no table: after it, every id, offset and value can be relied on. Where the buffer is a mapped file that
    // another program writes over, values may turn to nonsense: ids and offsets are bounded again where they are used.
    NgramTable(const std::uint8_t *data, std::size_t size);

    int order() const { return order_; }
    std::uint32_t vocab() const { return vocab_; }
    std::uint64_t count(int n) const { return levels_[n - 1].count; }
    std::uint32_t bos() const { return bos_; }
    std::uint32_t eos() const { return eos_; }
    std::uint32_t unk() const { return unk_; }

    // The followers of one context, and what the contexts longer than it paid in back-off to reach it.
    struct Span {
        int level;  // order of the followers, minus 1
        std::uint64_t begin, end;
        double shift;
    };

    // A resolved context: spans from the longest context to the shortest, then the unigrams.
    struct Context {
        std::array<Span, kMaxOrder> spans;
        int n_spans = 0;
        double unigram_shift = 0.0;
    };

    Context resolve(const std::uint32_t *context, std::size_t length) const;
    // The same of a context's words and one more, found among its followers.
    Context extended(const Context &context, std::uint32_t word) const;
    double log_prob(const Context &context, std::uint32_t word) const;
    // That of every token: `vocab` of them, faster than one by one where the vocabulary is small.
    void log_probs(const Context &context, double *out) const;
    // log P(word | context) where the word explicitly follows it; NaN where it does not.
    double follower(const Context &context, std::uint32_t word) const;

    std::uint32_t id_at(int level, std::uint64_t i) const {
        const Level &l = levels_[level];
        if (id_bytes_ == 2) {
            std::uint16_t v;
            std::memcpy(&v, l.ids + 2 * i, 2);
            return v;
        }
        std::uint32_t v;
        std::memcpy(&v, l.ids + 4 * i, 4);
        return v;
    }
    float prob_at(int level, std::uint64_t i) const { return value(levels_[level].prob, levels_[level].prob_book, i); }
    float unigram(std::uint32_t word) const { return unigram_[word]; }
    // Where values have one byte: the code book of a level, and a value's place in it. Null where they are float32.
    const float *prob_book(int level) const { return levels_[level].prob_book; }
    std::uint8_t code_at(int level, std::uint64_t i) const { return levels_[level].prob[i]; }

    // First follower in [begin, end) with an id not below `word`.
    std::uint64_t lower_bound(int level, std::uint64_t begin, std::uint64_t end, std::uint32_t word) const {
        while (begin < end) {
            const std::uint64_t middle = begin + (end - begin) / 2;
            if (id_at(level, middle) < word)
                begin = middle + 1;
            else
                end = middle;
        }
        return begin;
    }

private:
    // Where the followers of an entry begin and end, inside the next level whatever the buffer says.
    std::pair<std::uint64_t, std::uint64_t> children(int level, std::uint64_t entry) const {
        const std::uint32_t *child = levels_[level].child;
        const std::uint64_t count = levels_[level + 1].count, end = std::min<std::uint64_t>(child[entry + 1], count);
        return {std::min<std::uint64_t>(child[entry], end), end};
    }

    // Adds the followers of an n-gram of so many words.
    void add_span(Context &context, int words, std::uint64_t entry) const;

    struct Level {
        std::uint64_t count = 0;
        const std::uint8_t *ids = nullptr;      // null at order 1: the position is the id
        const std::uint8_t *prob = nullptr;
        const std::uint8_t *backoff = nullptr;  // null at the highest order
        const float *prob_book = nullptr;       // null when values are float32
        const float *backoff_book = nullptr;
        const std::uint32_t *child = nullptr;   // null at the highest order
    };

    static float value(const std::uint8_t *values, const float *book, std::uint64_t i) {
        if (book) return book[values[i]];
        float v;
        std::memcpy(&v, values + 4 * i, 4);
        return v;
    }

    bool find(int level, std::uint64_t begin, std::uint64_t end, std::uint32_t word, std::uint64_t &at) const {
        at = lower_bound(level, begin, end, word);
        return at < end && id_at(level, at) == word;
    }

    int order_ = 0;
    std::uint32_t vocab_ = 0, id_bytes_ = 0, bos_ = 0, eos_ = 0, unk_ = 0;
    std::array<Level, kMaxOrder> levels_{};
    const float *unigram_ = nullptr;
};

}  // namespace nearkey
