// Ambiguity of layouts that differ from one at hand in few letters, without counting the words that keep their keys.
//
// The cost of a layout is the share of words that are not first of their key sequence, or not among its first three, or
// the places above each word. Take the words with a moved letter out of their key sequences and pour them in again, by
// falling share: each adds a cost that only words above it decide. The sum of what they add at their new sequences, less
// the sum at their old ones, is the change. The costs added are never negative, so a layout that is to cost no more than
// so much is turned down in the middle of the sum. Of several letters, what their words add at their old sequences
// together is at most the sum of what each letter's words add (the costs saved are submodular), so the bound stands.
//
// Words that share their keys at hand and have a letter at the same places share them wherever it goes. What they cost
// each other stays; the first of them alone is poured in, and the others with it where it meets another word.
// Lengths with few key sequences for their words are counted anew instead, which takes half a nanosecond a word.
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
    // What each of n layouts (a row each) costs at least: exact where it differs in one letter from that at hand; infinite
    // where it certainly costs more than `most`.
    void bounds(const std::uint8_t *keys, std::size_t n, double most, double *out);
    std::mutex lock;

private:
    struct Entry {
        std::uint32_t word, unit;
    };
    struct Word {
        std::uint32_t code, next;  // the next word in the same slot, from 1, by falling share
        std::uint64_t letters;     // as bits
        double share;
    };
    struct Poured {
        std::uint32_t code, unit, word;
    };
    struct Hit {
        std::uint32_t code, word;
    };
    // The words of one length, by falling share. A code is the key sequence as a number with the base n_keys (`counted`),
    // that number times an odd one where 32 bits hold it (`exact`), else a hash: equal codes are then compared key by
    // key. A letter that goes to another key adds a multiple of its unit, the sum of its places' values.
    struct Length {
        std::uint32_t n, width;
        std::size_t n_codes;
        bool counted, exact;
        int shift;                               // of a code, to its slot
        std::vector<std::uint8_t> letter;        // word by word
        std::vector<std::uint32_t> entry_begin;  // by letter, and the end
        std::vector<Entry> entry;                // by letter: words with it
        std::vector<Word> word;                  // from 1
        std::vector<double> share;
        std::vector<std::uint32_t> code;
        // By hash: kPlaced and the first word at hand, or one that a moved letter brings, from 1 above `stamp`.
        std::vector<std::uint32_t> slot;
        std::uint32_t stamp;
        std::vector<std::uint32_t> above;        // of each word, the one above it with its code, from 1
        std::vector<std::uint8_t> shared;        // whether another has its code
        std::vector<std::uint64_t> tops;         // letters with which no word above it goes along, as bits
    };
    // What is known of a letter at the layout at hand.
    struct Letter {
        bool known = false;
        double now = 0.0, anywhere = 0.0;  // what its words add now; what of it they cost each other wherever it goes
        std::vector<Poured> word;          // those with which no word above goes along,
        std::vector<std::uint32_t> begin;  // length by length
    };
    struct Row {
        const std::uint8_t *keys;
        std::uint64_t moved;  // letters
        double rest, sum;     // cost without their words, where lengths are not counted; what is added so far
    };
    // Puts words with their codes in place; what they cost.
    double place(Length &length);
    // What the words of a length cost with these codes.
    template <typename Count> double counted(const Length &length, const std::uint32_t *code, std::vector<Count> &count) const;
    void learn(std::uint64_t letters);
    void learn(Length &length, std::size_t letter);
    // Whether two words have the same keys; whether they have a letter at the same places.
    static bool same(const Length &length, std::uint32_t a, std::uint32_t b, const std::uint8_t *keys);
    static bool together(const Length &length, std::uint32_t a, std::uint32_t b, std::size_t letter);
    // What words add with their codes and so many units more, when all that have moved letters are gone.
    double added(Length &length, std::span<const Poured> words, std::uint32_t step, const Row &row);
    // That of the first of hit_ (from 1), those that may meet another word.
    double settled(Length &length, std::span<const Poured> words, std::uint32_t step, const Row &row, std::uint32_t hits);
    template <AmbiguityCost kind> double settled_by(Length &length, std::span<const Poured> words, std::uint32_t step, const Row &row, std::uint32_t hits);
    // What the words of one length cost with a layout, where they are counted; else what those that it moves add.
    double cost(const Row &row, std::size_t at);

    std::shared_ptr<const AmbiguityWords> words_;
    int n_keys_;
    AmbiguityCost kind_;
    std::uint32_t enough_;              // words above one that cost it its share; more than there are where each costs it
    double now_ = 0.0;                  // what the layout at hand costs, where lengths are not counted
    std::vector<std::uint8_t> keys_;
    std::vector<Length> lengths_;       // those of the most probable words first
    std::vector<Letter> letters_;
    std::vector<Row> rows_;
    std::vector<double> factor_;        // of a word's share, what it costs by the words above it
    // One length at a time: codes; words of each code; words to pour in.
    std::vector<std::uint32_t> code_;
    std::vector<std::uint8_t> few_;
    std::vector<std::uint16_t> many_;
    std::vector<Poured> poured_;
    // Words that may meet another, their shares, the last before each in the same slot of a hash table, those to look up.
    std::vector<Hit> hit_;
    std::vector<double> share_;
    std::vector<std::uint32_t> before_, left_, slot_;
    std::uint32_t stamp_ = 0;           // slots above it were filled in this length
};

}  // namespace nearkey
