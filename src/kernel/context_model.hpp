// A recurrent network that gives the probability of every token after all tokens before: inference only.
//
// An LSTM with projection in a few layers, whose word vectors serve at both ends:
//   gates = input x + recur h + bias;   i, f, o = sigmoid, g = tanh of its quarters;
//   c' = f c + i g;   h' = project (o tanh c');   logits = vectors h' + bias of the words.
// Frequent tokens have whole vectors, the others shorter ones that a common matrix widens. Weights are 8-bit rows with a
// scale each; what they are multiplied with is rounded to 16 bits, so that products are exact in 32. Format 1
// is described in DEVELOPERS.md.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

#include "ngram_table.hpp"

namespace nearkey {

class ContextModel {
public:
    static constexpr std::size_t kHeaderBytes = 64;
    static constexpr std::uint32_t kColumns = 32;  // rows are padded with zeros to a multiple of this

    // The buffer must outlive the model. Throws std::invalid_argument for any bytes that are no
    // model: after it, every size, scale and token can be relied on.
    ContextModel(const std::uint8_t *data, std::size_t size);

    std::uint32_t vocab() const { return vocab_; }
    std::uint32_t width() const { return width_; }
    std::uint32_t cells() const { return cells_; }
    std::uint32_t layers() const { return static_cast<std::uint32_t>(layers_.size()); }
    std::uint32_t bos() const { return bos_; }

    // Floats of a state: by layer, outputs and memory cells. The state before any token is all zeros.
    std::size_t state_size() const { return layers_.size() * (width_ + cells_); }

    // The state after one more token, in place.
    void advance(float *state, std::uint32_t token) const;

    // weight * P(token | state) of every token, (vocab,).
    void probabilities(const float *state, float *out, float weight = 1.0f) const;

    // Natural log P(token | state) of a few; the normaliser makes them cost as much as all.
    void log_probs(const float *state, std::span<const std::uint32_t> tokens, double *out) const;

private:
    struct Matrix {
        std::uint32_t rows = 0, columns = 0, stride = 0;
        const float *scale = nullptr;
        const std::int8_t *values = nullptr;
    };
    struct Layer {
        Matrix input, recur, project;
        const float *gates = nullptr;
    };
    struct Rounded;

    static void multiply(const Matrix &matrix, const Rounded &x, float *out, bool add);
    void vector_of(std::uint32_t token, float *out) const;
    // exp(logit - largest logit) in the file's order of tokens, and their sum.
    double grown(const float *state, std::vector<float> &out) const;

    std::uint32_t vocab_ = 0, width_ = 0, cells_ = 0, head_ = 0, bos_ = 0;
    const std::uint32_t *order_ = nullptr;  // tokens by falling frequency: the order of rows
    const float *bias_ = nullptr;
    Matrix whole_, short_, widen_;
    std::vector<Layer> layers_;
    std::vector<std::uint32_t> rank_;  // by token
};

// The mixture weight * P(token | state) + (1 - weight) * P(token | words before) of a network and an n-gram table over
// the same tokens; one probability, since both sum to 1. Both must outlive it.
class NetworkMixture {
public:
    // `weights[m]`: of the network, where the longest context that the table knows has m words.
    NetworkMixture(const ContextModel &model, const NgramTable &table, std::vector<float> weights);

    const ContextModel &model() const { return model_; }
    const NgramTable &table() const { return table_; }

    // Natural log P of every token, (vocab,).
    void log_probs(const float *state, std::span<const std::uint32_t> words, float *out) const;

private:
    void add_table(const NgramTable::Context &context, float share, float *out) const;

    const ContextModel &model_;
    const NgramTable &table_;
    std::vector<float> weights_;
    std::vector<float> unigram_;               // probabilities
    std::vector<std::vector<float>> book_;     // by level: probabilities of its code book; empty where it has none
};

}  // namespace nearkey
