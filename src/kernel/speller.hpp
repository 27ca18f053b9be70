// Letter strings that need be no word: touches under a letter n-gram model, by beam.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "ngram_table.hpp"
#include "search.hpp"

namespace nearkey {

struct Spelled {
    double total = kMinusInfinity, touch = 0.0, language = 0.0;  // language is weighted, the end of the word included
    std::vector<std::uint8_t> letters;
};

class Speller {
public:
    // `token[a]` is the letter model's token of letter a.
    Speller(std::shared_ptr<const NgramTable> table, std::vector<std::uint32_t> token, double weight, int width);

    struct Hypothesis {
        double total, touch, language;
        std::string letters;  // their numbers: a string, as that holds a few without memory of its own
        NgramTable::Context context;
    };
    using Beam = std::vector<Hypothesis>;

    std::size_t n_letters() const { return token_.size(); }

    Beam start() const;
    // One more touch: log densities of the letters in `row`.
    Beam step(const Beam &beam, const double *row, std::uint32_t n_letters) const;
    // The best k strings that end here.
    std::vector<Spelled> finish(const Beam &beam, std::size_t k) const;

private:
    std::shared_ptr<const NgramTable> table_;
    std::vector<std::uint32_t> token_;
    double weight_;
    std::size_t width_;
};

}  // namespace nearkey
