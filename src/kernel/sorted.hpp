// Sorted arrays of keys: runs of equal ones, and looking many up at once.
#pragma once

#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>

namespace nearkey {

// The place of each wanted key in `keys` (ascending, distinct), -1 where it is absent. Searches in step, so that
// the memory's answers to one key are waited for while the others ask.
inline void find_sorted(const std::int64_t *keys, std::size_t n_keys, const std::int64_t *wanted, std::size_t n, std::int64_t *found) {
    constexpr std::size_t kTogether = 32;
    for (std::size_t start = 0; start < n; start += kTogether) {
        const std::size_t group = std::min(kTogether, n - start);
        std::array<const std::int64_t *, kTogether> at;
        at.fill(keys);
        for (std::size_t length = n_keys; length > 1;) {
            const std::size_t half = length / 2;
            for (std::size_t i = 0; i < group; ++i) at[i] += at[i][half - 1] < wanted[start + i] ? half : 0;
            length -= half;
        }
        for (std::size_t i = 0; i < group; ++i) {
            const bool here = n_keys > 0 && *at[i] == wanted[start + i];
            found[start + i] = here ? at[i] - keys : -1;
        }
    }
}

// How many distinct values an ascending array holds.
inline std::size_t n_distinct(const std::uint64_t *values, std::size_t n) {
    std::size_t found = n > 0;
    for (std::size_t i = 1; i < n; ++i) found += values[i] != values[i - 1];
    return found;
}

// The distinct values of an ascending array, and how often each occurs.
inline void runs_of(const std::uint64_t *values, std::size_t n, std::uint64_t *distinct, std::int64_t *times) {
    for (std::size_t i = 0; i < n;) {
        const std::size_t start = i;
        while (++i < n && values[i] == values[start]) {}
        *distinct++ = values[start];
        *times++ = static_cast<std::int64_t>(i - start);
    }
}

}  // namespace nearkey
