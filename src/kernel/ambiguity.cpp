#include "ambiguity.hpp"

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <functional>
#include <numeric>
#include <stdexcept>

namespace nearkey {
namespace {

constexpr int kCodeBits = 64, kRenamedBits = 32;

}  // namespace

AmbiguityWords::AmbiguityWords(std::span<const std::uint8_t> letters, std::size_t width, std::span<const double> share, int n_letters)
    : n_letters_(n_letters), per_tuple_(n_letters < 32 ? 3 : 2), letter_bits_(n_letters < 32 ? 5 : 8) {
    const std::size_t n = share.size();
    if (n_letters < 1 || n_letters > 255) throw std::invalid_argument("between 1 and 255 letters are supported");
    if (letters.size() != n * width) throw std::invalid_argument("letters and shares differ in length");
    if (n >= 0xffffffffu) throw std::invalid_argument("too many words");
    std::vector<std::uint32_t> length(n);
    for (std::size_t i = 0; i < n; ++i) {
        const std::uint8_t *row = letters.data() + i * width;
        std::size_t end = 0;
        while (end < width && row[end]) {
            if (row[end] > n_letters) throw std::invalid_argument("a letter outside the alphabet");
            ++end;
        }
        if (std::any_of(row + end, row + width, [](std::uint8_t c) { return c != 0; })) throw std::invalid_argument("a gap inside a word");
        if (end == 0) throw std::invalid_argument("a word without letters");
        if (!(share[i] >= 0.0) || !std::isfinite(share[i]) || (i && share[i] > share[i - 1])) throw std::invalid_argument("shares must be finite, not negative, and not rise");
        length[i] = static_cast<std::uint32_t>(end);
    }
    std::vector<std::uint32_t> rows(n);
    std::iota(rows.begin(), rows.end(), 0u);
    std::ranges::stable_sort(rows, {}, [&](std::uint32_t i) { return length[i]; });
    share_.reserve(n);
    place_.resize(n);
    for (std::uint32_t w = 0; w < n; ++w) {
        share_.push_back(share[rows[w]]);
        place_[rows[w]] = w;
    }
    std::vector<std::uint32_t> times(std::size_t{1} << (per_tuple_ * letter_bits_), 0);
    for (std::uint32_t w = 0; w < n;) {
        LengthGroup group;
        group.length = static_cast<int>(length[rows[w]]);
        group.first = w;
        while (w < n && length[rows[w]] == static_cast<std::uint32_t>(group.length)) ++w;
        group.n = w - group.first;
        group.n_tuples = (group.length + per_tuple_ - 1) / per_tuple_;
        group.tuples.resize(static_cast<std::size_t>(group.n_tuples) * group.n);
        for (int t = 0; t < group.n_tuples; ++t)
            for (std::uint32_t i = 0; i < group.n; ++i) {
                unsigned tuple = 0;
                for (int j = 0; j < per_tuple_; ++j) {
                    const int at = t * per_tuple_ + j;
                    // After the end stands a letter that has no key: number n_letters.
                    const unsigned letter = at < group.length ? letters[rows[group.first + i] * width + static_cast<std::size_t>(at)] - 1u : static_cast<unsigned>(n_letters_);
                    tuple |= letter << (j * letter_bits_);
                }
                group.tuples[static_cast<std::size_t>(t) * group.n + i] = static_cast<std::uint16_t>(tuple);
                ++times[tuple];
            }
        group.share = std::accumulate(share_.begin() + group.first, share_.begin() + w, 0.0);
        groups_.push_back(std::move(group));
    }
    // Few of all possible tuples are there: the codes of those fit into the nearest cache.
    for (std::size_t tuple = 0; tuple < times.size(); ++tuple)
        if (times[tuple]) tuples_.push_back(static_cast<std::uint16_t>(tuple));
    std::ranges::stable_sort(tuples_, std::greater{}, [&](std::uint16_t tuple) { return times[tuple]; });
    for (std::size_t number = 0; number < tuples_.size(); ++number) times[tuples_[number]] = static_cast<std::uint32_t>(number);
    for (LengthGroup &group : groups_)
        for (std::uint16_t &tuple : group.tuples) tuple = static_cast<std::uint16_t>(times[tuple]);
}

void AmbiguityWords::tuple_codes(const std::uint8_t *keys, int bits, std::vector<std::uint16_t> &out) const {
    out.resize(tuples_.size());
    const unsigned mask = (1u << letter_bits_) - 1;
    std::array<unsigned, 257> key{};
    std::copy_n(keys, n_letters_, key.begin());
    for (std::size_t i = 0; i < out.size(); ++i) {
        const unsigned tuple = tuples_[i];
        out[i] = static_cast<std::uint16_t>(key[tuple & mask] | key[tuple >> letter_bits_ & mask] << bits | (per_tuple_ == 3 ? key[tuple >> (2 * letter_bits_)] << (2 * bits) : 0u));
    }
}

const std::uint64_t *AmbiguityWords::codes(const LengthGroup &group, int bits, Scratch &scratch) const {
    const int step = per_tuple_ * bits, most = kCodeBits / step;
    const std::uint16_t *tuple_code = scratch.tuple_code.data();
    const std::size_t n = group.n;
    scratch.code.resize(std::max<std::size_t>(scratch.code.size(), n));
    std::uint64_t *out = scratch.code.data();
    const auto column = [&](int t) { return group.tuples.data() + static_cast<std::size_t>(t) * n; };
    const auto add = [&](int from, int to, int shift) {
        for (int t = from; t < to; ++t, shift += step)
            for (std::size_t i = 0; i < n; ++i) out[i] |= static_cast<std::uint64_t>(tuple_code[column(t)[i]]) << shift;
    };
    int done = std::min(group.n_tuples, most);
    if (done < 3) {
        std::fill_n(out, n, 0);
        add(0, done, 0);
    } else {
        const std::uint16_t *a = column(0), *b = column(1), *c = column(2);
        for (std::size_t i = 0; i < n; ++i)
            out[i] = tuple_code[a[i]] | static_cast<std::uint64_t>(tuple_code[b[i]]) << step | static_cast<std::uint64_t>(tuple_code[c[i]]) << (2 * step);
        add(3, done, 3 * step);
    }
    while (done < group.n_tuples) {
        std::ranges::copy(scratch.repeats.firsts(out, group.n), out);
        const int to = std::min(group.n_tuples, done + std::max(1, (kCodeBits - kRenamedBits) / step));
        add(done, to, kRenamedBits);
        done = to;
    }
    return out;
}

template <typename Each> void AmbiguityWords::coded(const std::uint8_t *keys, int n_keys, Scratch &scratch, const Each &each) const {
    // Keys numbered anew without gaps take the fewest bits.
    std::array<int, 256> number;
    number.fill(-1);
    std::array<std::uint8_t, 256> dense{};
    int used = 0;
    for (int letter = 0; letter < n_letters_; ++letter) {
        if (keys[letter] >= n_keys) throw std::invalid_argument("a key outside the layout");
        int &own = number[keys[letter]];
        if (own < 0) own = used++;
        dense[static_cast<std::size_t>(letter)] = static_cast<std::uint8_t>(own);
    }
    const int bits = std::max(1, static_cast<int>(std::bit_width(static_cast<unsigned>(used - 1))));
    tuple_codes(dense.data(), bits, scratch.tuple_code);
    for (const LengthGroup &group : groups_) each(group, codes(group, bits, scratch));
}

Ambiguity AmbiguityWords::evaluate(const std::uint8_t *keys, int n_keys, Scratch &scratch) const {
    Ambiguity total;
    coded(keys, n_keys, scratch, [&](const LengthGroup &group, const std::uint64_t *code) {
        std::vector<std::uint32_t> &above = scratch.above;
        above.resize(std::max<std::size_t>(above.size(), group.n));
        std::fill_n(above.begin(), group.n, 0);
        const double *share = share_.data() + group.first;
        double later = 0.0, beyond = 0.0, passed = 0.0;
        scratch.repeats.each(code, group.n, [&](std::uint32_t i, std::uint32_t j) {
            const std::uint32_t own = above[i] = above[j] + 1;
            later += share[i];
            beyond += own < 3 ? 0.0 : share[i];
            passed += share[i] * own;
        });
        total.first += group.share - later;
        total.third += group.share - beyond;
        total.passed += passed;
    });
    return total;
}

void AmbiguityWords::bind(Contexts &contexts) const {
    const std::size_t n = contexts.left.size();
    if (contexts.offset.size() != n + 1 || contexts.offset.front() != 0 || contexts.offset.back() != contexts.word.size() || contexts.word.size() != contexts.probability.size())
        throw std::invalid_argument("context arrays differ in length");
    for (std::size_t c = 0; c < n; ++c) {
        if (contexts.offset[c] > contexts.offset[c + 1]) throw std::invalid_argument("context offsets must not fall");
        if (!(contexts.left[c] >= 0.0) || !std::isfinite(contexts.left[c])) throw std::invalid_argument("probabilities must be finite and not negative");
        for (std::uint32_t i = contexts.offset[c]; i < contexts.offset[c + 1]; ++i) {
            const double p = contexts.probability[i];
            if (!(p >= 0.0) || !std::isfinite(p) || (i > contexts.offset[c] && p > contexts.probability[i - 1])) throw std::invalid_argument("probabilities must be finite, not negative, and fall within a context");
            if (contexts.word[i] >= n_words()) throw std::invalid_argument("a context names a word that is not there");
        }
    }
    for (std::uint32_t &word : contexts.word) word = place_[word];
}

Ambiguity AmbiguityWords::evaluate_after(const std::uint8_t *keys, int n_keys, const Contexts &contexts, Scratch &s) const {
    const std::uint32_t n = n_words();
    s.sequence.resize(n);
    s.next.assign(n, 0);
    s.head.clear();
    s.is_own.assign(n, 0);
    Ambiguity plain;
    coded(keys, n_keys, s, [&](const LengthGroup &group, const std::uint64_t *code) {
        std::uint32_t *sequence = s.sequence.data() + group.first;
        const std::vector<std::uint32_t> &first = s.repeats.firsts(code, group.n);
        for (std::uint32_t i = 0; i < group.n; ++i) {
            sequence[i] = first[i] < i ? sequence[first[i]] : static_cast<std::uint32_t>(s.head.size());
            if (first[i] == i) s.head.push_back(0);
        }
    });
    // Backwards, so that each list is by falling share; from there the sums that hold where a context says nothing.
    for (std::uint32_t w = n; w-- > 0;) {
        s.next[w] = s.head[s.sequence[w]];
        s.head[s.sequence[w]] = w + 1;
    }
    for (const std::uint32_t first : s.head) {
        std::uint32_t above = 0;
        for (std::uint32_t w = first; w && above < 3; w = s.next[w - 1]) {
            if (above++ == 0) plain.first += share_[w - 1];
            plain.third += share_[w - 1];
        }
    }
    s.n_own.assign(s.head.size(), 0);
    s.own.resize(3 * s.head.size());
    Ambiguity total;
    for (std::size_t c = 0; c < contexts.left.size(); ++c) {
        const double left = contexts.left[c];
        s.sequences.clear();
        const std::uint32_t begin = contexts.offset[c], end = contexts.offset[c + 1];
        for (std::uint32_t i = begin; i < end; ++i) {
            const std::uint32_t w = contexts.word[i], q = s.sequence[w];
            s.is_own[w] = 1;
            if (s.n_own[q] == 0) s.sequences.push_back(q);
            if (s.n_own[q] < 3) s.own[3 * q + s.n_own[q]++] = contexts.probability[i];
        }
        Ambiguity value{left * plain.first, left * plain.third, 0.0};
        for (const std::uint32_t q : s.sequences) {
            // What stood there without the context, and what stands there now: two falling lists poured together.
            std::uint32_t above = 0;
            for (std::uint32_t w = s.head[q]; w && above < 3; w = s.next[w - 1], ++above) {
                if (above == 0) value.first -= left * share_[w - 1];
                value.third -= left * share_[w - 1];
            }
            std::uint32_t w = s.head[q];
            std::uint8_t taken = 0;
            for (above = 0; above < 3; ++above) {
                while (w && s.is_own[w - 1]) w = s.next[w - 1];
                const double other = w ? left * share_[w - 1] : -1.0, own = taken < s.n_own[q] ? s.own[3 * q + taken] : -1.0;
                if (other < 0.0 && own < 0.0) break;
                if (own >= other) {
                    ++taken;
                } else {
                    w = s.next[w - 1];
                }
                if (above == 0) value.first += std::max(own, other);
                value.third += std::max(own, other);
            }
        }
        total.first += value.first;
        total.third += value.third;
        for (std::uint32_t i = begin; i < end; ++i) {
            s.is_own[contexts.word[i]] = 0;
            s.n_own[s.sequence[contexts.word[i]]] = 0;
        }
    }
    return total;
}

}  // namespace nearkey
