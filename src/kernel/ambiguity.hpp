// How ambiguous words are when letters share keys: exact, over a whole lexicon, for an assignment of letters to keys.
//
// Words of different lengths never share a key sequence, so each length stands by itself: its words by falling
// probability, each with a code that is its key sequence, letter by letter, in as many bits as a key's number takes.
// Nothing is hashed away: what is too long for one number is first renamed to the number of its distinct beginning.
#pragma once

#include <cstdint>
#include <limits>
#include <span>
#include <vector>

namespace nearkey {

// Sums over words by their share: those first of their key sequence, those among the first three, and the places
// above each word (presses of "next" that choose it).
struct Ambiguity {
    double first = 0.0, third = 0.0, passed = 0.0;

    void add(double share, std::uint32_t above) {
        // Without branches: they would be mispredicted for most words that share their keys.
        static constexpr double kFirst[] = {1.0, 0.0, 0.0, 0.0}, kThird[] = {1.0, 1.0, 1.0, 0.0};
        const std::uint32_t place = above < 3 ? above : 3;
        first += share * kFirst[place];
        third += share * kThird[place];
        passed += share * above;
    }
    Ambiguity &operator+=(const Ambiguity &other) {
        first += other.first;
        third += other.third;
        passed += other.passed;
        return *this;
    }
};

// Open addressing by codes: a slot holds a code + 1, 0 where it is free.
struct CodeTable {
    std::vector<std::uint64_t> code;
    std::vector<std::uint32_t> count;
    std::size_t size = 0;
    unsigned shift = 0;

    // Empty, with room for n codes at a load of one half or less.
    void clear(std::size_t n);
    static std::uint64_t hash(std::uint64_t c) { return c * 0x9e3779b97f4a7c15ull; }
    // The slot of a code, or the free one where it would go.
    std::size_t find(std::uint64_t c) const {
        std::size_t at = static_cast<std::size_t>(hash(c) >> shift);
        while (code[at] != c + 1 && code[at]) at = (at + 1) & (size - 1);
        return at;
    }
    // The slot of a code, made where it is not there yet.
    std::size_t insert(std::uint64_t c) {
        const std::size_t at = find(c);
        if (!code[at]) {
            code[at] = c + 1;
            count[at] = 0;
        }
        return at;
    }
};

// The words of one length, by falling share.
struct LengthGroup {
    int length = 0;
    std::uint32_t first = 0, n = 0;      // its words in the order of lengths
    std::vector<std::uint16_t> tuples;   // tuple by tuple of letters, (n_tuples, n)
    int n_tuples = 0;
};

class AmbiguityWords {
public:
    // letters : (n, width) row by row, 1 + a letter's number, then 0. share : (n,), falling.
    AmbiguityWords(std::span<const std::uint8_t> letters, std::size_t width, std::span<const double> share, int n_letters);

    int n_letters() const { return n_letters_; }
    std::uint32_t n_words() const { return static_cast<std::uint32_t>(share_.size()); }

    // Space that one thread works in.
    struct Scratch {
        CodeTable table;
        std::vector<std::uint16_t> tuple_code;
        std::vector<std::uint64_t> code;
        // After contexts: the key sequence of each word and the word after it there (from 1; 0 for none); the first word
        // of each sequence; per sequence, up to three words of the context at hand; words and sequences of that context.
        std::vector<std::uint32_t> sequence, next, head, own_words, sequences;
        std::vector<std::uint8_t> is_own, n_own;
        std::vector<double> own;
    };
    // keys : of each letter, below n_keys. longest : words of more letters are left out.
    Ambiguity evaluate(const std::uint8_t *keys, int n_keys, Scratch &scratch, int longest = std::numeric_limits<int>::max()) const;

    // `each(length, shares, letter)` for the words of each length, by rising length; letter(word, place) is a letter's number.
    template <typename Each> void each_length(const Each &each) const {
        for (const LengthGroup &group : groups_)
            each(group.length, std::span(share_).subspan(group.first, group.n), [&](std::uint32_t word, int place) {
                const unsigned tuple = group.tuples[static_cast<std::size_t>(place / per_tuple_) * group.n + word];
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
    template <typename Each> void coded(const std::uint8_t *keys, int n_keys, Scratch &scratch, const Each &each, int longest = std::numeric_limits<int>::max()) const;
    void tuple_codes(const std::uint8_t *keys, int bits, std::vector<std::uint16_t> &out) const;
    // Codes of a group's words; words too long for one number get the number of their beginning in its place.
    const std::uint64_t *codes(const LengthGroup &group, int bits, Scratch &scratch) const;

    int n_letters_, per_tuple_, letter_bits_;
    std::vector<LengthGroup> groups_;
    std::vector<double> share_;         // in the order of lengths
    std::vector<std::uint32_t> place_;  // of each of the caller's rows in that order
};

}  // namespace nearkey
