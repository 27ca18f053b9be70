// Whole sentences from touches whose spaces are noisy or missing: a beam over word boundaries.
#pragma once

#include <cstdint>
#include <memory>
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

// A language model outside the kernel. It numbers its states itself, the same state by the same number; the first is 0.
class SentenceModel {
public:
    virtual ~SentenceModel() = default;
    virtual std::shared_ptr<const WordScores> scores(std::uint32_t state) = 0;
    virtual double unknown(std::uint32_t state) = 0;  // log P(a word outside the lexicon)
    // The state after a word, by its index; or, for kSpelled, after one of these letters.
    virtual std::uint32_t advance(std::uint32_t state, std::uint32_t word, const std::vector<std::uint8_t> &letters) = 0;
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

// Context and table are not looked at where there is a `model`, whose scores are made for the searcher's lexicon.
std::vector<Sentence> decode_sentence(const Searcher &searcher, const Speller *speller, const Emissions &emissions,
                                      std::span<const std::uint32_t> context, std::size_t k, const Penalties &penalties,
                                      const SentenceOptions &options, SentenceModel *model);

}  // namespace nearkey
