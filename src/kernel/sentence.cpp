#include "sentence.hpp"

#include <algorithm>
#include <limits>
#include <map>
#include <optional>

namespace nearkey {

namespace {

using Context = std::vector<std::uint32_t>;

const std::vector<std::uint8_t> kNoLetters;

constexpr double kRoundOff = 1e-9;  // sums taken in another order

struct Step {
    double total, touch, language;
    int parent;  // index into the arena, -1 at the start
    std::uint32_t word = 0;
    int spelling = -1;  // index into the spellings
    int first = 0, last = 0;
    bool space = false;
    Context context;  // words of the table; or the number of the model's state, asked for when first needed
};

class Lattice {
public:
    Lattice(const Searcher &searcher, const Speller *speller, const Emissions &emissions, std::size_t k,
            const Penalties &penalties, const SentenceOptions &options, SentenceModel *model)
        : searcher_(searcher), speller_(options.unknown_words ? speller : nullptr), emissions_(emissions), k_(k),
          penalties_(penalties), options_(options), model_(model), at_(emissions.n_touches + 1), floor_(emissions.n_touches + 1, kMinusInfinity) {
        penalties_.window = options.reach;
        longest_ = std::min(searcher.lexicon().max_length() + 1, kMaxLetters);
    }

    std::vector<Sentence> run(std::span<const std::uint32_t> context) {
        const int n = emissions_.n_touches;
        arena_.push_back(Step{0.0, 0.0, 0.0, -1, 0, -1, 0, 0, false, model_ ? Context{0} : Context(context.begin(), context.end())});
        at_[0].push_back(0);
        for (int i = 0; i < n; ++i) {
            prune(at_[i]);
            if (!at_[i].empty()) extend(i);
        }
        return collect();
    }

private:
    bool known_space(int touch) const { return !options_.boundary.empty() && options_.boundary[touch] == 1; }
    bool known_letter(int touch) const { return !options_.boundary.empty() && options_.boundary[touch] == 2; }

    // Keep the best few for each language state, and the best of all up to the width.
    void prune(std::vector<int> &steps) {
        std::stable_sort(steps.begin(), steps.end(), [&](int a, int b) { return arena_[a].total > arena_[b].total; });
        std::map<Context, std::size_t> seen;
        std::vector<int> kept;
        for (const int s : steps) {
            if (kept.size() == options_.width || arena_[s].total < arena_[steps[0]].total - options_.reach) break;
            if (seen[context_of(s)]++ < k_) kept.push_back(s);
        }
        steps = std::move(kept);
    }

    // Steps are pruned before they are extended, so the step before has its state.
    const Context &context_of(int s) {
        Step &step = arena_[s];
        if (model_ && step.context.empty())
            step.context = {model_->advance(arena_[step.parent].context[0], step.word, step.spelling < 0 ? kNoLetters : spellings_[step.spelling])};
        return step.context;
    }

    // log P(a word outside the lexicon | the words of a step); none where nothing knows.
    std::optional<double> unknown(const Context &context) const {
        if (model_) return model_->unknown(context[0]);
        const NgramTable *table = searcher_.table();
        if (!table) return std::nullopt;
        return table->log_prob(table->resolve(context.data(), context.size()), table->unk());
    }

    void extend(int i) {
        const int n = emissions_.n_touches;
        Speller::Beam beam;
        if (speller_) beam = speller_->start();
        std::vector<std::shared_ptr<const WordScores>> scores(at_[i].size());
        for (int j = i + 1; j <= std::min(n, i + longest_); ++j) {
            if (known_space(j - 1)) break;  // a word does not run over a known space
            const Emissions part = emissions_.part(i, j);
            std::vector<Spelled> spelled;
            if (speller_) {
                beam = speller_->step(beam, emissions_.row(j - 1), emissions_.n_letters);
                spelled = speller_->finish(beam, 1);
            }
            for (std::size_t f = 0; f < at_[i].size(); ++f) {
                const int from = at_[i][f];
                // No word can do better than the best density of every touch at no language cost.
                const double most = arena_[from].total + part.rest[0];
                if (!worth(most, j)) continue;
                if (model_ && !scores[f]) scores[f] = model_->scores(arena_[from].context[0]);
                penalties_.floor = least(j) - arena_[from].total;
                for (const Hit &hit : searcher_.search(part, Given{arena_[from].context, scores[f].get()}, options_.words, penalties_, none_))
                    after_word(from, i, j, hit.word, -1, hit.touch, hit.language);
                if (spelled.empty()) continue;
                const auto unseen = unknown(arena_[from].context);
                if (!unseen) continue;
                const double language = spelled[0].language + searcher_.lm_weight() * *unseen;
                if (!worth(arena_[from].total + spelled[0].touch + language, j)) continue;
                spellings_.push_back(spelled[0].letters);
                after_word(from, i, j, kSpelled, static_cast<int>(spellings_.size()) - 1, spelled[0].touch, language);
            }
        }
    }

    // Whether a score could still enter one of the lists that a word ending at touch j leads to.
    bool worth(double total, int j) const {
        const int n = emissions_.n_touches;
        if (j == n) return enters(n, total);
        bool any = false;
        if (space_at(j) > kMinusInfinity) any = enters(j + 1, total + space_at(j));
        if (!known_space(j)) any = any || enters(j, total + options_.missing_space);
        return any;
    }

    // What a score must be above to enter one of these lists: words below need not be looked for.
    double least(int j) const {
        const int n = emissions_.n_touches;
        if (j == n) return floor_[n];
        double low = std::numeric_limits<double>::infinity();
        if (space_at(j) > kMinusInfinity) low = floor_[j + 1] - space_at(j);
        if (!known_space(j)) low = std::min(low, floor_[j] - options_.missing_space);
        return low - kRoundOff;
    }

    bool enters(int position, double total) const { return total > floor_[position]; }

    double space_at(int touch) const {
        if (known_letter(touch)) return kMinusInfinity;
        if (known_space(touch)) return 0.0;
        return options_.space.empty() ? kMinusInfinity : options_.space[touch];
    }

    void after_word(int from, int i, int j, std::uint32_t word, int spelling, double touch, double language) {
        Step step;
        step.parent = from;
        step.word = word;
        step.spelling = spelling;
        step.first = i;
        step.last = j;
        step.touch = arena_[from].touch + touch;
        step.language = arena_[from].language + language;
        step.total = arena_[from].total + touch + language;
        if (!model_) step.context = arena_[from].context;
        if (const auto *table = model_ ? nullptr : searcher_.table()) {
            step.context.push_back(word == kSpelled ? table->unk() : searcher_.token(word));
            const std::size_t most = static_cast<std::size_t>(table->order() - 1);
            if (step.context.size() > most) step.context.erase(step.context.begin(), step.context.end() - static_cast<std::ptrdiff_t>(most));
        }
        const int n = emissions_.n_touches;
        if (j == n) {
            add(n, step);
            return;
        }
        const double space = space_at(j);
        if (space > kMinusInfinity) {
            Step spaced = step;
            spaced.total += space;
            spaced.touch += space;
            spaced.space = true;
            add(j + 1, spaced);
        }
        if (!known_space(j)) {
            step.total += options_.missing_space;
            step.touch += options_.missing_space;
            add(j, step);
        }
    }

    void add(int position, const Step &step) {
        if (!enters(position, step.total)) return;
        arena_.push_back(step);
        auto &list = at_[position];
        list.push_back(static_cast<int>(arena_.size()) - 1);
        floor_[position] = std::max(floor_[position], step.total - options_.reach);
        if (list.size() >= 8 * options_.width) {
            prune(list);
            if (list.size() == options_.width) floor_[position] = std::max(floor_[position], arena_[list.back()].total);
        }
    }

    std::vector<Sentence> collect() {
        auto &ends = at_[emissions_.n_touches];
        std::stable_sort(ends.begin(), ends.end(), [&](int a, int b) { return arena_[a].total > arena_[b].total; });
        std::vector<Sentence> out;
        for (const int end : ends) {
            if (out.size() == k_) break;
            Sentence sentence{arena_[end].total, arena_[end].touch, arena_[end].language, {}};
            for (int s = end; arena_[s].parent >= 0; s = arena_[s].parent) {
                const Step &step = arena_[s];
                sentence.words.push_back(SentenceWord{step.word,
                                                      step.spelling < 0 ? kNoLetters : spellings_[step.spelling],
                                                      step.first, step.last, step.space});
            }
            if (sentence.words.empty()) continue;
            std::reverse(sentence.words.begin(), sentence.words.end());
            if (!repeats(out, sentence)) out.push_back(std::move(sentence));
        }
        return out;
    }

    // The same words read from other touches are one answer.
    static bool repeats(const std::vector<Sentence> &found, const Sentence &sentence) {
        return std::any_of(found.begin(), found.end(), [&](const Sentence &other) {
            return std::equal(other.words.begin(), other.words.end(), sentence.words.begin(), sentence.words.end(),
                              [](const SentenceWord &a, const SentenceWord &b) { return a.word == b.word && a.letters == b.letters; });
        });
    }

    const Searcher &searcher_;
    const Speller *speller_;
    const Emissions &emissions_;
    std::size_t k_;
    Penalties penalties_;
    const SentenceOptions &options_;
    SentenceModel *model_;  // null where the table or the lexicon speaks
    Overlay none_;
    int longest_;
    std::vector<Step> arena_;
    std::vector<std::vector<std::uint8_t>> spellings_;
    std::vector<std::vector<int>> at_;
    std::vector<double> floor_;  // by position: scores that are no longer wanted
};

}  // namespace

std::vector<Sentence> decode_sentence(const Searcher &searcher, const Speller *speller, const Emissions &emissions,
                                      std::span<const std::uint32_t> context, std::size_t k, const Penalties &penalties,
                                      const SentenceOptions &options, SentenceModel *model) {
    if (k == 0 || emissions.n_touches == 0) return {};
    return Lattice(searcher, speller, emissions, k, penalties, options, model).run(context);
}

}  // namespace nearkey
