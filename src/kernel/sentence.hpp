// Whole sentences from touches whose spaces are noisy or missing: a beam over word boundaries.
#pragma once

#include <cstdint>
#include <vector>

#include "search.hpp"
#include "speller.hpp"

namespace nearkey {

struct SentenceOptions {
    double missing_space = 0.0;                // log probability that a space between words got no touch
    std::vector<double> space;                 // by touch: log density under the space key; empty without such a key
    std::vector<std::uint8_t> boundary;        // by touch: 1 where it is known to be a space, 2 known to be none, 0 unknown
    std::size_t width = 32;                    // hypotheses kept at each touch
    std::size_t words = 8;                     // words tried for each stretch of touches
    double reach = 16.0;                       // nats below the best beyond which neither is kept
    bool unknown_words = true;
};

struct SentenceWord {
    std::uint32_t word;                  // index, or kSpelled
    std::vector<std::uint8_t> letters;   // of a spelled word
    int first, last;                     // its touches
    bool space;                          // a touch on the space key follows
};

constexpr std::uint32_t kSpelled = 0xfffffffeu;

struct Sentence {
    double total = kMinusInfinity, touch = 0.0, language = 0.0;
    std::vector<SentenceWord> words;
};

std::vector<Sentence> decode_sentence(const Searcher &searcher, const Speller *speller, const Emissions &emissions,
                                      std::span<const std::uint32_t> context, std::size_t k, const Penalties &penalties,
                                      const SentenceOptions &options);

}  // namespace nearkey
