#include "text.hpp"

#include <charconv>
#include <cmath>
#include <cstring>
#include <stdexcept>

namespace nearkey {
namespace {

// Length of the white space at `p`, 0 if there is none: what Python's str.split takes for it, in UTF-8.
inline std::size_t space_at(const unsigned char *p, const unsigned char *end) {
    if (*p < 0x80) return *p == ' ' || (*p >= 0x09 && *p <= 0x0d) || (*p >= 0x1c && *p <= 0x1f);
    const std::size_t left = static_cast<std::size_t>(end - p);
    if (*p == 0xc2 && left >= 2) return p[1] == 0x85 || p[1] == 0xa0 ? 2 : 0;
    if (left < 3) return 0;
    const bool wide = (*p == 0xe1 && p[1] == 0x9a && p[2] == 0x80) ||
                      (*p == 0xe2 && p[1] == 0x80 && (p[2] <= 0x8a || p[2] == 0xa8 || p[2] == 0xa9 || p[2] == 0xaf)) ||
                      (*p == 0xe2 && p[1] == 0x81 && p[2] == 0x9f) || (*p == 0xe3 && p[1] == 0x80 && p[2] == 0x80);
    return wide ? 3 : 0;
}

// Eight bytes at a time, each mixed in by a multiplication (the constant is 2^64 over the golden ratio,
// D. E. Knuth, The Art of Computer Programming 3, section 6.4).
inline std::uint32_t hash_of(std::string_view token) {
    constexpr std::uint64_t kOdd = 0x9e3779b97f4a7c15u;
    std::uint64_t hash = token.size();
    std::size_t at = 0;
    do {
        std::uint64_t word = 0;
        const std::size_t size = std::min<std::size_t>(8, token.size() - at);
        std::memcpy(&word, token.data() + at, size);
        hash = (hash ^ word) * kOdd;
        hash ^= hash >> 29;
        at += 8;
    } while (at < token.size());
    return static_cast<std::uint32_t>(hash >> 16);
}

constexpr double kTen6 = 1e6, kTen5 = 1e5, kTen7 = 1e7;

inline char *digits(char *at, std::uint64_t value, int places) {
    for (int i = places - 1; i >= 0; --i) {
        at[i] = static_cast<char>('0' + value % 10);
        value /= 10;
    }
    return at + places;
}

// "-1.234567", "-12.34567" or "0.1234567"; numbers outside -100 to 10 as they come.
char *number(char *at, double value) {
    const double size = std::fabs(value);
    if (!(value > -99.999995 && value < 9.99999995)) return std::to_chars(at, at + 32, value, std::chars_format::general, 7).ptr;
    if (value > 0) {
        const auto whole = static_cast<std::uint64_t>(std::llrint(size * kTen7));
        at = digits(at, whole / 10'000'000, 1);
        *at++ = '.';
        return digits(at, whole % 10'000'000, 7);
    }
    *at++ = '-';
    const auto whole = static_cast<std::uint64_t>(std::llrint(size * kTen6));
    if (whole < 10'000'000) {
        at = digits(at, whole / 1'000'000, 1);
        *at++ = '.';
        return digits(at, whole % 1'000'000, 6);
    }
    const auto shorter = static_cast<std::uint64_t>(std::llrint(size * kTen5));
    at = digits(at, shorter / 100'000, 2);
    *at++ = '.';
    return digits(at, shorter % 100'000, 5);
}

constexpr std::size_t kNumberBytes = 33;

}  // namespace

TokenReader::TokenReader(const std::vector<std::string> &first, std::uint32_t begin, std::uint32_t end) : slots_(1 << 12), begin_(begin), end_(end) {
    for (const std::string &token : first) id_of(token);
    if (size() != first.size()) throw std::invalid_argument("the first tokens are not distinct");
    if (begin >= first.size() || end >= first.size()) throw std::invalid_argument("begin and end are not among the first tokens");
}

std::uint32_t TokenReader::id_of(std::string_view token) {
    const std::uint32_t hash = hash_of(token);
    const std::size_t mask = slots_.size() - 1;
    std::size_t at = hash & mask;
    while (slots_[at].id_and_one) {
        if (slots_[at].hash == hash && this->token(slots_[at].id_and_one - 1) == token) return slots_[at].id_and_one - 1;
        at = (at + 1) & mask;
    }
    const auto id = static_cast<std::uint32_t>(size());
    if (id >= 0x7ffffffeu) throw std::length_error("more tokens than 31 bits can number");
    slots_[at] = {hash, id + 1};
    bytes_ += token;
    starts_.push_back(bytes_.size());
    if (2 * size() > slots_.size()) grow();
    return id;
}

void TokenReader::grow() {
    std::vector<Slot> larger(2 * slots_.size());
    const std::size_t mask = larger.size() - 1;
    for (const Slot &slot : slots_) {
        if (!slot.id_and_one) continue;
        std::size_t at = slot.hash & mask;
        while (larger[at].id_and_one) at = (at + 1) & mask;
        larger[at] = slot;
    }
    slots_ = std::move(larger);
}

std::vector<std::int32_t> TokenReader::read(std::string_view text) {
    std::vector<std::int32_t> ids;
    ids.reserve(text.size() / 4 + 16);
    const auto *at = reinterpret_cast<const unsigned char *>(text.data());
    const auto *end = at + text.size();
    while (at < end) {
        const auto *line_end = static_cast<const unsigned char *>(std::memchr(at, '\n', static_cast<std::size_t>(end - at)));
        if (!line_end) line_end = end;
        ids.push_back(static_cast<std::int32_t>(begin_));
        while (at < line_end) {
            if (const std::size_t space = space_at(at, line_end)) {
                at += space;
                continue;
            }
            const auto *start = at++;
            while (at < line_end && !space_at(at, line_end)) ++at;
            ids.push_back(static_cast<std::int32_t>(id_of({reinterpret_cast<const char *>(start), static_cast<std::size_t>(at - start)})));
        }
        ids.push_back(static_cast<std::int32_t>(end_));
        at = line_end + 1;
    }
    return ids;
}

ArpaWriter::ArpaWriter(const std::vector<std::string> &tokens) {
    for (const std::string &token : tokens) {
        bytes_ += token;
        starts_.push_back(bytes_.size());
    }
}

std::string ArpaWriter::rows(const double *log10, const std::int64_t *tokens, std::size_t n, std::size_t order, const double *backoff,
                             const std::uint8_t *has_backoff) const {
    std::size_t room = n * (2 * kNumberBytes + 3 + order);
    for (std::size_t i = 0; i < n * order; ++i) {
        if (tokens[i] < 0 || static_cast<std::size_t>(tokens[i]) >= size()) throw std::invalid_argument("a token id has no text");
        room += starts_[static_cast<std::size_t>(tokens[i]) + 1] - starts_[static_cast<std::size_t>(tokens[i])];
    }
    std::string out(room, '\0');
    char *at = out.data();
    for (std::size_t row = 0; row < n; ++row) {
        at = number(at, log10[row]);
        for (std::size_t column = 0; column < order; ++column) {
            *at++ = column ? ' ' : '\t';
            const auto id = static_cast<std::size_t>(tokens[row * order + column]);
            const std::size_t length = starts_[id + 1] - starts_[id];
            std::memcpy(at, bytes_.data() + starts_[id], length);
            at += length;
        }
        if (backoff && has_backoff[row]) {
            *at++ = '\t';
            at = number(at, backoff[row]);
        }
        *at++ = '\n';
    }
    out.resize(static_cast<std::size_t>(at - out.data()));
    return out;
}

}  // namespace nearkey
