#include "ngram_table.hpp"

#include <limits>

namespace nearkey {

namespace {

template <typename T> T read(const std::uint8_t *data, std::size_t at) {
    T v;
    std::memcpy(&v, data + at, sizeof(T));
    return v;
}

// Walks the sections in file order and refuses to step past the end.
class Cursor {
public:
    Cursor(const std::uint8_t *data, std::size_t size, std::size_t at) : data_(data), size_(size), at_(at) {}

    const std::uint8_t *take(std::uint64_t items, std::uint64_t item_bytes, const char *what) {
        if (items > size_ / item_bytes || at_ + items * item_bytes > size_)
            throw std::invalid_argument(std::string("file ends inside section ") + what);
        const std::uint8_t *start = data_ + at_;
        at_ += items * item_bytes;
        at_ = (at_ + 7) / 8 * 8;
        return start;
    }
    std::size_t at() const { return at_; }

private:
    const std::uint8_t *data_;
    std::size_t size_, at_;
};

void check_children(const std::uint32_t *child, std::uint64_t n, std::uint64_t total, int order) {
    const std::string where = " in the child offsets of order " + std::to_string(order);
    if (child[0] != 0 || child[n] != total) throw std::invalid_argument("wrong ends" + where);
    for (std::uint64_t i = 0; i < n; ++i)
        if (child[i] > child[i + 1]) throw std::invalid_argument("falling values" + where);
}

// Searches look for ids by halving, so among siblings they must rise. Falls in the whole array are counted against
// those where another's children begin: going from parent to parent took five times as long.
template <typename Id> void check_ids(const std::uint8_t *bytes, std::uint64_t n, const std::uint32_t *child, std::uint64_t n_parents,
                                      std::uint32_t vocab, int order) {
    if (n == 0) return;
    const auto *ids = reinterpret_cast<const Id *>(bytes);
    Id highest = ids[0];
    std::uint32_t falls = 0, allowed = 0;
    const auto look = [&](std::uint64_t from, std::uint64_t count) {
        Id most = 0, found = 0;
        for (std::uint64_t i = from; i < from + count; ++i) {
            most = std::max(most, ids[i]);
            found += ids[i] <= ids[i - 1];
        }
        highest = std::max(highest, most);
        falls += found;
    };
    // Blocks of a size known to the compiler become vector instructions.
    constexpr std::uint64_t kBlock = 128;
    std::uint64_t at = 1;
    for (; at + kBlock <= n; at += kBlock) look(at, kBlock);
    look(at, n - at);
    if (highest >= vocab) throw std::invalid_argument("an n-gram of order " + std::to_string(order) + " names a word outside the vocabulary");
    // No branches: which of the parents have children is nothing a processor can guess.
    const auto last = static_cast<std::uint32_t>(n - 1);
    for (std::uint64_t p = 0; p < n_parents; ++p) {
        const std::uint32_t first = std::min(child[p], last);
        allowed += static_cast<unsigned>(child[p] < child[p + 1]) & static_cast<unsigned>(first > 0) & static_cast<unsigned>(ids[first] <= ids[first - (first > 0)]);
    }
    if (falls != allowed) throw std::invalid_argument("the ids of order " + std::to_string(order) + " do not rise below each n-gram");
}

// Finite, and no log probability above 0 (but for rounding). A back-off may be: in some models it is.
void check_values(const float *values, std::uint64_t n, bool backoff, int order) {
    constexpr float kRounding = 1e-4f;
    const float most = backoff ? std::numeric_limits<float>::max() : kRounding;
    bool fine = true;
    for (std::uint64_t i = 0; i < n; ++i) fine &= values[i] >= std::numeric_limits<float>::lowest() && values[i] <= most;
    if (!fine)
        throw std::invalid_argument((backoff ? "a back-off of order " : "a log probability of order ") + std::to_string(order) +
                                    (backoff ? " is not finite" : " is not finite, or above 0"));
}

}  // namespace

NgramTable::NgramTable(const std::uint8_t *data, std::size_t size) {
    if (reinterpret_cast<std::uintptr_t>(data) % 4 != 0) throw std::invalid_argument("the bytes do not lie at a multiple of 4");
    if (size < kHeaderBytes) throw std::invalid_argument("shorter than its header");
    if (std::memcmp(data, "NKNGRAM1", 8) != 0) throw std::invalid_argument("not an n-gram table of format 1 (magic bytes)");
    order_ = static_cast<int>(read<std::uint32_t>(data, 8));
    vocab_ = read<std::uint32_t>(data, 12);
    id_bytes_ = read<std::uint32_t>(data, 16);
    const auto value_bytes = read<std::uint32_t>(data, 20);
    bos_ = read<std::uint32_t>(data, 24);
    eos_ = read<std::uint32_t>(data, 28);
    unk_ = read<std::uint32_t>(data, 32);
    if (order_ < 1 || order_ > kMaxOrder) throw std::invalid_argument("order outside 1 to 5");
    if (id_bytes_ != 2 && id_bytes_ != 4) throw std::invalid_argument("ids of neither 2 nor 4 bytes");
    if (value_bytes != 1 && value_bytes != 4) throw std::invalid_argument("values of neither 1 nor 4 bytes");
    if (vocab_ == 0 || (id_bytes_ == 2 && vocab_ > 65536)) throw std::invalid_argument("vocabulary size does not fit its ids");
    if (bos_ >= vocab_ || eos_ >= vocab_ || unk_ >= vocab_) throw std::invalid_argument("a special token lies outside the vocabulary");
    for (int k = 0; k < order_; ++k) {
        levels_[k].count = read<std::uint64_t>(data, 40 + 8 * k);
        if (levels_[k].count > 0xffffffffULL) throw std::invalid_argument("more n-grams than 32 bits count");
    }
    if (levels_[0].count != vocab_) throw std::invalid_argument("the count of order 1 is not the vocabulary size");

    Cursor cursor(data, size, kHeaderBytes);
    for (int k = 0; k < order_; ++k) {
        Level &level = levels_[k];
        const bool inner = k + 1 < order_;
        const std::uint64_t n = level.count;
        const std::uint64_t bytes = k == 0 ? 4 : value_bytes;
        if (bytes == 1) {
            level.prob_book = reinterpret_cast<const float *>(cursor.take(256, 4, "code book"));
            if (inner) level.backoff_book = reinterpret_cast<const float *>(cursor.take(256, 4, "code book"));
        }
        if (k > 0) level.ids = cursor.take(n, id_bytes_, "ids");
        level.prob = cursor.take(n, bytes, "log_prob");
        if (inner) {
            level.backoff = cursor.take(n, bytes, "backoff");
            level.child = reinterpret_cast<const std::uint32_t *>(cursor.take(n + 1, 4, "child"));
            check_children(level.child, n, levels_[k + 1].count, k + 1);
        }
    }
    if (cursor.at() != size) throw std::invalid_argument("bytes left over after the last section");
    for (int k = 0; k < order_; ++k) {
        const Level &level = levels_[k];
        check_values(level.prob_book ? level.prob_book : reinterpret_cast<const float *>(level.prob), level.prob_book ? 256 : level.count, false, k + 1);
        if (level.backoff)
            check_values(level.backoff_book ? level.backoff_book : reinterpret_cast<const float *>(level.backoff), level.backoff_book ? 256 : level.count, true, k + 1);
        if (k == 0) continue;
        const auto check = id_bytes_ == 2 ? check_ids<std::uint16_t> : check_ids<std::uint32_t>;
        check(level.ids, level.count, levels_[k - 1].child, levels_[k - 1].count, vocab_, k + 1);
    }
    unigram_ = reinterpret_cast<const float *>(levels_[0].prob);
}

NgramTable::Context NgramTable::resolve(const std::uint32_t *context, std::size_t length) const {
    Context result;
    const std::size_t longest = std::min<std::size_t>(length, static_cast<std::size_t>(order_ - 1));
    for (std::size_t m = longest; m >= 1; --m) {
        const std::uint32_t *words = context + (length - m);
        if (words[0] >= vocab_) continue;
        std::uint64_t entry = words[0];
        bool found = true;
        for (std::size_t j = 1; j < m && found; ++j) {
            const auto [begin, end] = children(static_cast<int>(j - 1), entry);
            found = find(static_cast<int>(j), begin, end, words[j], entry);
        }
        if (found) add_span(result, static_cast<int>(m), entry);
    }
    return result;
}

NgramTable::Context NgramTable::extended(const Context &context, std::uint32_t word) const {
    Context result;
    for (int i = 0; i < context.n_spans; ++i) {
        const Span &span = context.spans[i];
        std::uint64_t entry;
        if (span.level + 1 < order_ && find(span.level, span.begin, span.end, word, entry)) add_span(result, span.level + 1, entry);
    }
    if (order_ > 1 && word < vocab_) add_span(result, 1, word);
    return result;
}

void NgramTable::add_span(Context &context, int words, std::uint64_t entry) const {
    const Level &level = levels_[words - 1];
    const auto [begin, end] = children(words - 1, entry);
    context.spans[context.n_spans++] = Span{words, begin, end, context.unigram_shift};
    context.unigram_shift += value(level.backoff, level.backoff_book, entry);
}

double NgramTable::follower(const Context &context, std::uint32_t word) const {
    for (int s = 0; s < context.n_spans; ++s) {
        const Span &span = context.spans[s];
        std::uint64_t at;
        if (find(span.level, span.begin, span.end, word, at)) return span.shift + prob_at(span.level, at);
    }
    return std::numeric_limits<double>::quiet_NaN();
}

void NgramTable::log_probs(const Context &context, double *out) const {
    for (std::uint32_t w = 0; w < vocab_; ++w) out[w] = context.unigram_shift + unigram_[w];
    for (int s = context.n_spans; s-- > 0;) {
        const Span &span = context.spans[s];
        for (std::uint64_t at = span.begin; at < span.end; ++at) {
            const std::uint32_t id = id_at(span.level, at);
            if (id < vocab_) out[id] = span.shift + prob_at(span.level, at);
        }
    }
}

double NgramTable::log_prob(const Context &context, std::uint32_t word) const {
    const double found = follower(context, word);
    return found == found ? found : context.unigram_shift + unigram_[word];
}

}  // namespace nearkey
