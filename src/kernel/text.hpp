// Text at the estimator's two ends: tokens of running text, and the lines of an ARPA file.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

namespace nearkey {

// Numbers tokens by their first appearance. White space is what Python's str.split takes for it.
class TokenReader {
public:
    // `first` are the tokens of ids 0, 1, …; those named `begin` and `end` go around every line.
    TokenReader(const std::vector<std::string> &first, std::uint32_t begin, std::uint32_t end);

    std::size_t size() const { return starts_.size() - 1; }
    std::string_view token(std::size_t id) const { return std::string_view(bytes_).substr(starts_[id], starts_[id + 1] - starts_[id]); }

    // Token ids of whole lines of UTF-8, with `begin` and `end` around each; unseen tokens are added.
    std::vector<std::int32_t> read(std::string_view text);

private:
    std::uint32_t id_of(std::string_view token);
    void grow();

    struct Slot {
        std::uint32_t hash = 0, id_and_one = 0;  // 0: free
    };

    std::string bytes_;
    std::vector<std::size_t> starts_{0};
    std::vector<Slot> slots_;
    std::uint32_t begin_, end_;
};

// Rows of an ARPA section, seven digits a number.
class ArpaWriter {
public:
    explicit ArpaWriter(const std::vector<std::string> &tokens);

    std::size_t size() const { return starts_.size() - 1; }

    // "log10 <tab> token … token [<tab> back-off] <newline>" for each row of `tokens` (n, order).
    // `backoff` may be null; else `has_backoff` says which rows show one.
    std::string rows(const double *log10, const std::int64_t *tokens, std::size_t n, std::size_t order, const double *backoff,
                     const std::uint8_t *has_backoff) const;

private:
    std::string bytes_;
    std::vector<std::size_t> starts_{0};
};

}  // namespace nearkey
