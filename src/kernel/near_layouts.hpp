// Ambiguity of layouts that differ from one at hand in few letters, without counting the words that keep their keys.
//
// The cost of a layout is the share of words that are not first of their key sequence, or not among its first three, or
// the places above each word. Take the words with a moved letter out of their key sequences and pour them in again, by
// falling share: each adds a cost that only words above it decide. The sum of what they add at their new sequences, less
// the sum at their old ones, is the change. The costs added are never negative, so a layout that is to cost no more than
// so much is turned down in the middle of the sum. Of several letters, what their words add at their old sequences
// together is at most the sum of what each letter's words add (the costs saved are submodular), so the bound stands.
//
// Words that share their keys at hand and have a letter at the same places share them wherever it goes. Those that are
// never first because of that (never among the first three) add their share anywhere: the others alone are looked up.
#pragma once

#include <limits>
#include <memory>
#include <mutex>

#include "ambiguity.hpp"

namespace nearkey {

enum class AmbiguityCost { not_first, not_third, above };

class NearLayouts {
public:
    // For at most 64 letters.
    NearLayouts(std::shared_ptr<const AmbiguityWords> words, int n_keys, AmbiguityCost cost);

    const AmbiguityWords &words() const { return *words_; }
    // The layout at hand: of each letter, its key.
    void set(const std::uint8_t *keys);
    // What each of n layouts (a row each) costs at least: exact where it differs in one letter from that at hand and all
    // words fit into codes (those that do not, of very many letters, count nothing); infinite where it certainly costs more
    // than `most`.
    void bounds(const std::uint8_t *keys, std::size_t n, double most, double *out);
    std::mutex lock;

private:
    struct Entry {
        std::uint32_t word, unit;
    };
    struct Word {
        std::uint64_t code, letters;  // letters as bits
        double share;
        std::uint32_t next;           // with the same hash, from 1, by falling share
    };
    // The words of one length, by falling share. A code is a hash without loss of the key sequence, as a number with the
    // base n_keys: a letter that goes to another key adds a multiple of its unit, the hashed sum of its places' values.
    struct Length {
        std::vector<std::uint32_t> entry_begin, unit_begin;  // by letter, and the end
        std::vector<Entry> entry;                            // by letter: words with it, and which unit is theirs
        std::vector<std::uint64_t> unit;
        std::vector<Word> word;                              // from 1
        std::vector<std::uint64_t> code;                     // those of the words
        std::vector<std::uint32_t> bucket;                   // first words by hash, from 1
        std::vector<std::uint64_t> seen;                     // bits by hash: whether a word may have it
        std::vector<std::uint32_t> above;                    // of each word, the one above it with its code, from 1
        std::vector<std::uint8_t> shared;                    // whether another has its code
        std::uint32_t bucket_mask = 0, seen_mask = 0;
    };
    // What is known of a letter at the layout at hand.
    struct Letter {
        bool known = false;
        double now = 0.0, anywhere = 0.0;  // what its words add now; what some of them add wherever it goes
        std::vector<Entry> entry;          // the other words,
        std::vector<std::uint32_t> begin;  // length by length
    };
    struct Row {
        const std::uint8_t *keys;
        std::uint64_t moved;  // letters
        double rest, sum;     // cost without their words; what these add so far
    };
    // Puts words with their codes in place; what they cost.
    double place(Length &length);
    void learn(std::uint64_t letters);
    void learn(const Length &length, std::size_t letter);
    // What words add with the codes that code_of(entry) gives, when all that have moved letters (bits) are gone.
    template <typename Code> double added(const Length &length, std::span<const Entry> words, std::uint64_t moved, const Code &code_of);
    double at_one(const Length &length, std::uint32_t j, std::uint32_t word, std::uint64_t moved, std::uint32_t stamp) const;
    // What the words of one length that a layout moves add there.
    double poured(const Row &row, std::size_t at);

    std::shared_ptr<const AmbiguityWords> words_;
    int n_keys_;
    AmbiguityCost kind_;
    std::uint32_t enough_;              // words above one that cost it its share; more than there are where each costs it
    double now_ = 0.0;                  // what the layout at hand costs
    std::vector<std::uint8_t> keys_;
    std::vector<Length> lengths_;       // those of the most probable words first
    std::vector<Letter> letters_;
    std::vector<Row> rows_;
    // One length at a time: words to pour in, the last before each in the same slot of a hash table, what codes gain.
    std::vector<Entry> poured_;
    std::vector<std::uint32_t> before_, hit_, slot_;
    std::vector<std::uint64_t> code_, delta_, added_;
    std::uint32_t stamp_ = 0;           // slots above it were filled in this length
};

}  // namespace nearkey
