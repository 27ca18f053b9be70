// Ambiguity of layouts that differ from one at hand in few letters, without counting the words that keep their keys.
//
// The cost of a layout is the share of words that are not first of their key sequence, or not among its first three, or
// the places above each word. Take the words with a moved letter out of their key sequences and pour them in again, by
// falling share: each adds a cost that only words above it decide. The sum of what they add at their new sequences, less
// the sum at their old ones, is the change. The costs added are never negative, so a layout that is to cost no more than
// so much is turned down in the middle of the sum. Of several letters, what their words add at their old sequences
// together is at most the sum of what each letter's words add (the costs saved are submodular), so the bound stands.
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
    // What a layout costs at least: exact where it differs in one letter from that at hand and all words fit into codes
    // (those that do not, of very many letters, count nothing); infinite where it certainly costs more than `most`.
    double bound(const std::uint8_t *keys, double most);
    std::mutex lock;

private:
    struct Entry {
        std::uint32_t word, unit;
    };
    // The words of one length, by falling share. A code is the key sequence as a number with the base n_keys, so a letter
    // that goes to another key adds a multiple of its unit: the sum of its places' values.
    struct Length {
        std::vector<std::uint32_t> entry_begin, unit_begin;  // by letter, and the end
        std::vector<Entry> entry;                            // by letter: words with it, and which unit is theirs
        std::vector<std::uint64_t> unit;
        std::vector<std::uint64_t> code, letters;            // by word; letters as bits
        std::vector<double> share;
        std::vector<std::uint32_t> next, bucket;             // lists of words by hash of the code, from 1, by falling share
        std::vector<std::uint64_t> seen;                     // bits by hash of a code: whether a word may have it
        std::vector<std::uint8_t> shared;                    // by word: whether another has its code
        unsigned bucket_shift = 0, seen_shift = 0;
    };
    void place(Length &length);
    // What the words of the moved letters (bits) add at the sequences they have with these keys; ends once beyond `most`.
    double added(std::uint64_t moved, const std::uint8_t *keys, double most);
    double at_one(const Length &length, std::uint32_t j, std::uint64_t moved) const;

    std::shared_ptr<const AmbiguityWords> words_;
    int n_keys_;
    AmbiguityCost kind_;
    int longest_ = 0;                   // words of more letters have no codes
    double total_ = 0.0, now_ = 0.0;    // share of the words that have; what the layout at hand costs
    std::vector<std::uint8_t> keys_;
    std::vector<Length> lengths_;       // those of the most probable words first
    std::vector<double> own_;           // by letter, what its words add at their sequences now; negative where not known
    AmbiguityWords::Scratch scratch_;
    // One length at a time: words to pour in, their new codes, the last before it in the same slot of a hash table.
    std::vector<std::uint32_t> word_, before_, hit_, slot_;
    std::vector<std::uint64_t> code_, delta_;
    std::uint32_t stamp_ = 0;           // slots above it were filled in this length
};

}  // namespace nearkey
