#include "context_model.hpp"

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <cstring>
#include <limits>
#include <stdexcept>
#include <string>

namespace nearkey {

namespace {

// Loops over blocks of a size known to the compiler become vector instructions at -O2, where a choice between two floats
// may be made without a jump (-fno-trapping-math).
constexpr std::uint32_t kBlock = 64;

constexpr std::size_t blocks(std::size_t n) { return (n + kBlock - 1) / kBlock * kBlock; }

std::uint32_t word_at(const std::uint8_t *data, std::size_t at) {
    std::uint32_t v;
    std::memcpy(&v, data + at, 4);
    return v;
}

class Sections {
public:
    Sections(const std::uint8_t *data, std::size_t size, std::size_t at) : data_(data), size_(size), at_(at) {}

    template <typename T> const T *take(std::uint64_t n, const char *what) {
        if (n > (size_ - std::min(at_, size_)) / sizeof(T)) throw std::invalid_argument(std::string("file ends inside section ") + what);
        const auto *start = reinterpret_cast<const T *>(data_ + at_);
        at_ = (at_ + n * sizeof(T) + 63) / 64 * 64;
        return start;
    }
    std::size_t at() const { return at_; }

private:
    const std::uint8_t *data_;
    std::size_t size_, at_;
};

void check_finite(const float *values, std::size_t n, float least, const char *what) {
    bool fine = true;
    for (std::size_t i = 0; i < n; ++i) fine &= values[i] >= least && values[i] <= std::numeric_limits<float>::max();
    if (!fine) throw std::invalid_argument(std::string("a number that is not finite, or a scale below 0, in section ") + what);
}

// e^x for x <= 0, to 2 units in the last place; 0 below what float holds. Cephes' way: 2^n times a polynomial. No source
// but the series of e^x; coefficients are those of Taylor's, whose rest is below 1e-8 within half a unit of log 2.
inline float exp_negative(float x) {
    const float t = (x < -87.0f ? -87.0f : x) * 1.44269504f;  // no std::max: its references keep it out of vectors
    const int n = static_cast<int>(t - 0.5f);
    const float r = (t - static_cast<float>(n)) * 0.693147181f;
    const float p = 1.0f + r * (1.0f + r * (0.5f + r * (0.166666667f + r * (0.0416666667f + r * (0.00833333333f + r * 0.00138888889f)))));
    return p * std::bit_cast<float>((n + 127) << 23);
}

constexpr float kSmallest = std::numeric_limits<float>::min();

// Natural log of a float above 0, to about 1e-7: 2 artanh of (m - 1) / (m + 1), m between 1/sqrt 2 and sqrt 2.
inline float log_positive(float x) {
    const int bits = std::bit_cast<int>(x < kSmallest ? kSmallest : x);
    const int n = (bits - 0x3f3504f3) >> 23;
    const float m = std::bit_cast<float>(bits - n * (1 << 23));
    const float z = (m - 1.0f) / (m + 1.0f), s = z * z;
    const float p = 2.0f + s * (0.666666667f + s * (0.4f + s * (0.285714286f + s * 0.222222222f)));
    return static_cast<float>(n) * 0.693147181f + z * p;
}

template <std::uint32_t n> std::int32_t dot(const std::int8_t *a, const std::int16_t *b) {
    std::int32_t sum = 0;
    for (std::uint32_t i = 0; i < n; ++i) sum += static_cast<std::int32_t>(static_cast<std::int16_t>(a[i])) * b[i];
    return sum;
}

inline float sigmoid(float x) { return 1.0f / (1.0f + std::exp(-x)); }

}  // namespace

// What rows are multiplied with, in 16 bits: as fine as sums of 32 bits allow.
struct ContextModel::Rounded {
    std::vector<std::int16_t> values;
    float scale = 0.0f;

    void set(const float *x, std::uint32_t n) {
        const std::uint32_t stride = (n + kColumns - 1) / kColumns * kColumns;
        const auto most = static_cast<float>(std::min(32767u, 2147483647u / (128u * stride)));
        float largest = 0.0f;
        for (std::uint32_t i = 0; i < n; ++i) largest = std::max(largest, std::abs(x[i]));
        values.assign(stride, 0);
        scale = largest / most;
        if (!(scale > 0.0f)) return;
        for (std::uint32_t i = 0; i < n; ++i) values[i] = static_cast<std::int16_t>(std::lrintf(x[i] / scale));
    }
};

ContextModel::ContextModel(const std::uint8_t *data, std::size_t size) {
    if (reinterpret_cast<std::uintptr_t>(data) % 4 != 0) throw std::invalid_argument("the bytes do not lie at a multiple of 4");
    if (size < kHeaderBytes) throw std::invalid_argument("shorter than its header");
    if (std::memcmp(data, "NKCONTX1", 8) != 0) throw std::invalid_argument("not a context model of format 1 (magic bytes)");
    vocab_ = word_at(data, 8);
    width_ = word_at(data, 12);
    cells_ = word_at(data, 16);
    const std::uint32_t n_layers = word_at(data, 20);
    head_ = word_at(data, 24);
    const std::uint32_t tail_width = word_at(data, 28);
    bos_ = word_at(data, 32);
    if (vocab_ == 0 || vocab_ > 1u << 24) throw std::invalid_argument("impossible vocabulary size");
    if (width_ == 0 || width_ > 4096 || cells_ == 0 || cells_ > 16384) throw std::invalid_argument("impossible width or number of cells");
    if (n_layers == 0 || n_layers > 16) throw std::invalid_argument("impossible number of layers");
    if (head_ > vocab_ || (head_ < vocab_) != (tail_width > 0) || tail_width > 4096) throw std::invalid_argument("whole and short vectors do not fit the vocabulary");
    if (bos_ >= vocab_) throw std::invalid_argument("the sentence's start lies outside the vocabulary");

    Sections sections(data, size, kHeaderBytes);
    const auto floats = [&](std::uint64_t n, float least, const char *what) {
        const float *found = sections.take<float>(n, what);
        check_finite(found, n, least, what);
        return found;
    };
    const auto matrix = [&](std::uint32_t rows, std::uint32_t columns, const char *what) {
        Matrix m{rows, columns, (columns + kColumns - 1) / kColumns * kColumns, nullptr, nullptr};
        m.scale = floats(rows, 0.0f, what);
        m.values = sections.take<std::int8_t>(static_cast<std::uint64_t>(rows) * m.stride, what);
        return m;
    };
    constexpr float kAny = std::numeric_limits<float>::lowest();
    order_ = sections.take<std::uint32_t>(vocab_, "order");
    rank_.assign(vocab_, vocab_);
    for (std::uint32_t r = 0; r < vocab_; ++r) {
        if (order_[r] >= vocab_ || rank_[order_[r]] != vocab_) throw std::invalid_argument("the order does not name every token once");
        rank_[order_[r]] = r;
    }
    bias_ = floats(vocab_, kAny, "bias");
    whole_ = matrix(head_, width_, "head");
    if (head_ < vocab_) {
        short_ = matrix(vocab_ - head_, tail_width, "tail");
        widen_ = matrix(tail_width, width_, "widen");
    }
    layers_.resize(n_layers);
    for (Layer &layer : layers_) {
        layer.input = matrix(4 * cells_, width_, "input");
        layer.recur = matrix(4 * cells_, width_, "recur");
        layer.gates = floats(4ull * cells_, kAny, "gates");
        layer.project = matrix(width_, cells_, "project");
    }
    if (sections.at() != size) throw std::invalid_argument("bytes left over after the last section");
}

void ContextModel::multiply(const Matrix &matrix, const Rounded &x, float *out, bool add) {
    const std::uint32_t stride = matrix.stride;
    const std::int16_t *values = x.values.data();
    for (std::uint32_t r = 0; r < matrix.rows; ++r) {
        const std::int8_t *row = matrix.values + static_cast<std::size_t>(r) * stride;
        std::int32_t sum = 0;
        std::uint32_t at = 0;
        for (; at + 128 <= stride; at += 128) sum += dot<128>(row + at, values + at);
        for (; at < stride; at += kColumns) sum += dot<kColumns>(row + at, values + at);
        const float product = matrix.scale[r] * x.scale * static_cast<float>(sum);
        out[r] = add ? out[r] + product : product;
    }
}

void ContextModel::vector_of(std::uint32_t token, float *out) const {
    const std::uint32_t rank = rank_[token];
    if (rank < head_) {
        const std::int8_t *row = whole_.values + static_cast<std::size_t>(rank) * whole_.stride;
        for (std::uint32_t i = 0; i < width_; ++i) out[i] = whole_.scale[rank] * static_cast<float>(row[i]);
        return;
    }
    const std::int8_t *row = short_.values + static_cast<std::size_t>(rank - head_) * short_.stride;
    std::fill_n(out, width_, 0.0f);
    for (std::uint32_t t = 0; t < short_.columns; ++t) {
        const float by = short_.scale[rank - head_] * static_cast<float>(row[t]) * widen_.scale[t];
        const std::int8_t *wide = widen_.values + static_cast<std::size_t>(t) * widen_.stride;
        for (std::uint32_t i = 0; i < width_; ++i) out[i] += by * static_cast<float>(wide[i]);
    }
}

void ContextModel::advance(float *state, std::uint32_t token) const {
    thread_local std::vector<float> flow, gates;
    thread_local Rounded rounded;
    flow.resize(std::max(width_, cells_));
    gates.resize(4 * static_cast<std::size_t>(cells_));
    vector_of(token, flow.data());
    for (const Layer &layer : layers_) {
        float *h = state, *c = state + width_;
        state += width_ + cells_;
        rounded.set(flow.data(), width_);
        std::copy_n(layer.gates, gates.size(), gates.data());
        multiply(layer.input, rounded, gates.data(), true);
        rounded.set(h, width_);
        multiply(layer.recur, rounded, gates.data(), true);
        const float *in = gates.data(), *forget = in + cells_, *given = forget + cells_, *shown = given + cells_;
        for (std::uint32_t i = 0; i < cells_; ++i) {
            c[i] = sigmoid(forget[i]) * c[i] + sigmoid(in[i]) * std::tanh(given[i]);
            flow[i] = sigmoid(shown[i]) * std::tanh(c[i]);
        }
        rounded.set(flow.data(), cells_);
        multiply(layer.project, rounded, h, false);
        std::copy_n(h, width_, flow.data());
    }
}

double ContextModel::grown(const float *state, std::vector<float> &out) const {
    thread_local std::vector<float> narrow;
    thread_local Rounded rounded;
    const float *h = state + (layers_.size() - 1) * (width_ + cells_);
    const std::size_t padded = blocks(vocab_);
    out.resize(padded);
    rounded.set(h, width_);
    multiply(whole_, rounded, out.data(), false);
    if (head_ < vocab_) {
        narrow.resize(widen_.rows);
        multiply(widen_, rounded, narrow.data(), false);
        rounded.set(narrow.data(), widen_.rows);
        multiply(short_, rounded, out.data() + head_, false);
    }
    for (std::uint32_t r = 0; r < vocab_; ++r) out[r] += bias_[r];
    const std::uint32_t never = rank_[bos_];  // given, never predicted
    out[never] = -std::numeric_limits<float>::max();
    std::fill(out.begin() + vocab_, out.end(), -std::numeric_limits<float>::max());
    std::array<float, kBlock> largest;
    largest.fill(-std::numeric_limits<float>::max());
    for (std::size_t at = 0; at < padded; at += kBlock)
        for (std::uint32_t i = 0; i < kBlock; ++i) largest[i] = largest[i] < out[at + i] ? out[at + i] : largest[i];
    const float most = *std::max_element(largest.begin(), largest.end());
    std::array<double, kBlock> sums{};
    for (std::size_t at = 0; at < padded; at += kBlock) {
        float *values = out.data() + at;
        for (std::uint32_t i = 0; i < kBlock; ++i) values[i] = exp_negative(values[i] - most);
        for (std::uint32_t i = 0; i < kBlock; ++i) sums[i] += values[i];
    }
    double sum = 0.0;
    for (const double s : sums) sum += s;
    // What stands at the padding and the sentence's start is next to nothing, but not nothing.
    sum -= out[never];
    for (std::size_t r = vocab_; r < padded; ++r) sum -= out[r];
    out[never] = 0.0f;
    return sum;
}

void ContextModel::probabilities(const float *state, float *out, float weight) const {
    thread_local std::vector<float> values;
    const double sum = grown(state, values);
    const auto share = static_cast<float>(weight / sum);
    for (std::uint32_t r = 0; r < vocab_; ++r) out[order_[r]] = values[r] * share;
}

void ContextModel::log_probs(const float *state, std::span<const std::uint32_t> tokens, double *out) const {
    thread_local std::vector<float> values;
    const double sum = grown(state, values);
    for (std::size_t i = 0; i < tokens.size(); ++i) out[i] = std::log(static_cast<double>(values[rank_[tokens[i]]]) / sum);
}

NetworkMixture::NetworkMixture(const ContextModel &model, const NgramTable &table, std::vector<float> weights)
    : model_(model), table_(table), weights_(std::move(weights)) {
    if (model.vocab() != table.vocab()) throw std::invalid_argument("context model and n-gram table differ in their vocabularies");
    if (weights_.size() != static_cast<std::size_t>(table.order())) throw std::invalid_argument("one weight is needed for each length of context the table knows");
    for (const float w : weights_)
        if (!(w >= 0.0f && w <= 1.0f)) throw std::invalid_argument("a mixture weight must lie between 0 and 1");
    unigram_.resize(table.vocab());
    for (std::uint32_t t = 0; t < table.vocab(); ++t) unigram_[t] = std::exp(table.unigram(t));
    book_.resize(static_cast<std::size_t>(table.order()));
    for (int level = 1; level < table.order(); ++level)
        if (const float *book = table.prob_book(level)) {
            book_[level].resize(256);
            for (int code = 0; code < 256; ++code) book_[level][code] = std::exp(book[code]);
        }
}

// Adds `share` times the table's probabilities: those of the shortest context first, which longer ones replace.
void NetworkMixture::add_table(const NgramTable::Context &context, float share, float *out) const {
    thread_local std::vector<float> values;
    values.resize(unigram_.size());
    const auto shift = static_cast<float>(std::exp(context.unigram_shift)) * share;
    for (std::size_t t = 0; t < unigram_.size(); ++t) values[t] = shift * unigram_[t];
    for (int s = context.n_spans; s-- > 0;) {
        const auto &span = context.spans[s];
        const float by = static_cast<float>(std::exp(span.shift)) * share;
        const auto &book = book_[span.level];
        for (std::uint64_t at = span.begin; at < span.end; ++at)
            values[table_.id_at(span.level, at)] = by * (book.empty() ? std::exp(table_.prob_at(span.level, at)) : book[table_.code_at(span.level, at)]);
    }
    for (std::size_t t = 0; t < values.size(); ++t) out[t] += values[t];
}

void NetworkMixture::log_probs(const float *state, std::span<const std::uint32_t> words, float *out) const {
    thread_local std::vector<float> mixed;
    const std::uint32_t vocab = model_.vocab();
    mixed.assign(blocks(vocab), 1.0f);
    const auto context = table_.resolve(words.data(), words.size());
    const float weight = weights_[context.n_spans ? context.spans[0].level : 0];
    model_.probabilities(state, mixed.data(), weight);
    if (weight < 1.0f) add_table(context, 1.0f - weight, mixed.data());
    for (std::size_t at = 0; at < mixed.size(); at += kBlock) {
        float *values = mixed.data() + at;
        for (std::uint32_t i = 0; i < kBlock; ++i) {
            const float log = log_positive(values[i]);
            values[i] = log < 0.0f ? log : 0.0f;
        }
    }
    std::copy_n(mixed.data(), vocab, out);
}

}  // namespace nearkey
