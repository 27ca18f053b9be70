// How ambiguous words are when letters share keys: exact, over a whole lexicon, for an assignment of letters to keys.
//
// Words of different lengths never share a key sequence, so each length stands by itself: its words by falling
// probability, each with a code that is its key sequence, letter by letter, in as many bits as a key's number takes.
// Nothing is hashed away: what is too long for one number is first renamed to the number of its distinct beginning.
#pragma once

#include <algorithm>
#include <bit>
#include <cstdint>
#include <limits>
#include <numeric>
#include <span>
#include <vector>

namespace nearkey {

// Sums over words by their share: those first of their key sequence, those among the first three, and the places
// above each word (presses of "next" that choose it).
struct Ambiguity {
    double first = 0.0, third = 0.0, passed = 0.0;
};

// Which codes come again in a list of them.
class Repeats {
public:
    static std::uint64_t hash(std::uint64_t code) { return code * 0x9e3779b97f4a7c15ull; }
    // `each(i, j)` for i from 0, rising, whose code stands before it, last at j.
    template <typename Each> void each(const std::uint64_t *code, std::uint32_t n, const Each &each) {
        const std::size_t size = std::bit_ceil(std::max<std::size_t>(kSlots * n, 16));
        const unsigned shift = 64u - static_cast<unsigned>(std::countr_zero(size));
        if (slot_.size() < size) slot_.resize(size);
        if (before_.size() <= n) {
            before_.resize(n + 1);
            met_.resize(n + 1);
        }
        if (stamp_ > std::numeric_limits<std::uint32_t>::max() - n) {
            std::ranges::fill(slot_, 0);
            stamp_ = 0;
        }
        // Lists of codes by hash, the last first. Without branches: where codes meet cannot be predicted.
        std::uint32_t met = 0;
        for (std::uint32_t i = 0; i < n; ++i) {
            std::uint32_t &slot = slot_[hash(code[i]) >> shift];
            const std::uint32_t filled = slot > stamp_;
            before_[i] = (slot - stamp_) & (0u - filled);
            slot = stamp_ + i + 1;
            met_[met] = i;
            met += filled;
        }
        stamp_ += n;
        for (std::uint32_t m = 0; m < met; ++m) {
            const std::uint32_t i = met_[m];
            std::uint32_t j = before_[i];
            while (j && code[j - 1] != code[i]) j = before_[j - 1];
            if (j) each(i, j - 1);
        }
    }
    // Of each code, where it stands first.
    const std::vector<std::uint32_t> &firsts(const std::uint64_t *code, std::uint32_t n) {
        first_.resize(n);
        std::iota(first_.begin(), first_.end(), 0u);
        each(code, n, [&](std::uint32_t i, std::uint32_t j) { first_[i] = first_[j]; });
        return first_;
    }

private:
    static constexpr std::size_t kSlots = 4;  // a code
    std::vector<std::uint32_t> slot_, before_, met_, first_;
    std::uint32_t stamp_ = 0;  // slots above it were filled in this list
};

// The words of one length, by falling share.
struct LengthGroup {
    int length = 0;
    std::uint32_t first = 0, n = 0;      // its words in the order of lengths
    std::vector<std::uint16_t> tuples;   // numbers of tuples of letters, (n_tuples, n)
    int n_tuples = 0;
    double share = 0.0;                  // of all of them
};

class AmbiguityWords {
public:
    // letters : (n, width) row by row, 1 + a letter's number, then 0. share : (n,), falling.
    AmbiguityWords(std::span<const std::uint8_t> letters, std::size_t width, std::span<const double> share, int n_letters);

    int n_letters() const { return n_letters_; }
    std::uint32_t n_words() const { return static_cast<std::uint32_t>(share_.size()); }

    // Space that one thread works in.
    struct Scratch {
        Repeats repeats;
        std::vector<std::uint16_t> tuple_code;
        std::vector<std::uint64_t> code;
        std::vector<std::uint32_t> above;
        // After contexts: the key sequence of each word and the word after it there (from 1; 0 for none); the first word
        // of each sequence; per sequence, up to three words of the context at hand; words and sequences of that context.
        std::vector<std::uint32_t> sequence, next, head, own_words, sequences;
        std::vector<std::uint8_t> is_own, n_own;
        std::vector<double> own;
    };
    // keys : of each letter, below n_keys.
    Ambiguity evaluate(const std::uint8_t *keys, int n_keys, Scratch &scratch) const;

    // `each(length, shares, letter)` for the words of each length, by rising length; letter(word, place) is a letter's number.
    template <typename Each> void each_length(const Each &each) const {
        for (const LengthGroup &group : groups_)
            each(group.length, std::span(share_).subspan(group.first, group.n), [&](std::uint32_t word, int place) {
                const unsigned tuple = tuples_[group.tuples[static_cast<std::size_t>(place / per_tuple_) * group.n + word]];
                return tuple >> (place % per_tuple_ * letter_bits_) & ((1u << letter_bits_) - 1);
            });
    }

    // Words after words: of each context the words whose joint probability with it is known on its own, and the
    // probability that the context leaves to the others in proportion to their shares.
    struct Contexts {
        std::vector<double> left;             // by context: times a word's share, its joint probability with the context
        std::vector<std::uint32_t> offset;    // by context, where its own words begin; and the end
        std::vector<std::uint32_t> word;      // rows of the words, by falling probability in each context
        std::vector<double> probability;      // joint with the context
    };
    // Checks contexts against the words and numbers theirs as the words are kept here.
    void bind(Contexts &contexts) const;
    // Probability that a word is first, and among the first three, of its key sequence after a context.
    Ambiguity evaluate_after(const std::uint8_t *keys, int n_keys, const Contexts &contexts, Scratch &scratch) const;

private:
    // The codes with the fewest bits, for `each(group, codes)`.
    template <typename Each> void coded(const std::uint8_t *keys, int n_keys, Scratch &scratch, const Each &each) const;
    void tuple_codes(const std::uint8_t *keys, int bits, std::vector<std::uint16_t> &out) const;
    // Codes of a group's words; words too long for one number get the number of their beginning in its place.
    const std::uint64_t *codes(const LengthGroup &group, int bits, Scratch &scratch) const;

    int n_letters_, per_tuple_, letter_bits_;
    std::vector<LengthGroup> groups_;
    std::vector<std::uint16_t> tuples_;  // those that words have, letter by letter, the commonest first
    std::vector<double> share_;         // in the order of lengths
    std::vector<std::uint32_t> place_;  // of each of the caller's rows in that order
};

}  // namespace nearkey
