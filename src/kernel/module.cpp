// Python face of the kernel: checks shapes, converts, releases the interpreter lock.
#include <nanobind/nanobind.h>
#include <nanobind/ndarray.h>
#include <nanobind/stl/optional.h>
#include <nanobind/stl/shared_ptr.h>
#include <nanobind/stl/string.h>
#include <nanobind/stl/string_view.h>
#include <nanobind/stl/vector.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <cmath>
#include <exception>
#include <memory>
#include <mutex>
#include <optional>
#include <system_error>
#include <thread>

#include "context_model.hpp"
#include "lexicon.hpp"
#include "near_layouts.hpp"
#include "ngram_table.hpp"
#include "search.hpp"
#include "sentence.hpp"
#include "sorted.hpp"
#include "speller.hpp"
#include "text.hpp"
#include "threads.hpp"
#include "touch.hpp"

namespace nb = nanobind;
using namespace nb::literals;

namespace nearkey {
namespace {

template <typename T> using In1 = nb::ndarray<const T, nb::ndim<1>, nb::c_contig, nb::device::cpu>;
template <typename T> using In2 = nb::ndarray<const T, nb::ndim<2>, nb::c_contig, nb::device::cpu>;
template <typename T> using Out1 = nb::ndarray<nb::numpy, T, nb::ndim<1>>;
template <typename T> using Out2 = nb::ndarray<nb::numpy, T, nb::ndim<2>>;
using Tokens = std::vector<std::uint32_t>;

template <typename T> std::vector<T> copied(const In1<T> &a) { return {a.data(), a.data() + a.shape(0)}; }

// Memory for an array that numpy takes over.
template <typename T> using Block = std::unique_ptr<T[]>;
template <typename T> Block<T> block(std::size_t n) { return std::make_unique_for_overwrite<T[]>(n); }
template <typename T> nb::capsule owner(Block<T> &data) {
    nb::capsule made(data.get(), [](void *p) noexcept { Block<T>(static_cast<T *>(p)); });
    data.release();
    return made;
}
template <typename T> Out1<T> array(std::size_t n, Block<T> data) {
    T *at = data.get();
    return Out1<T>(at, {n}, owner(data));
}
template <typename T> Out2<T> array(std::size_t n, std::size_t m, Block<T> data) {
    T *at = data.get();
    return Out2<T>(at, {n, m}, owner(data));
}
template <typename T> Out1<T> array(const std::vector<T> &values) {
    auto data = block<T>(values.size());
    std::ranges::copy(values, data.get());
    return array(values.size(), std::move(data));
}

// Keeps the memory-mapped array alive for as long as the table.
struct BoundTable : NgramTable {
    explicit BoundTable(const In1<std::uint8_t> &buffer) : NgramTable(buffer.data(), buffer.shape(0)), buffer_(buffer) {}
    In1<std::uint8_t> buffer_;
};

// Contexts bound to the words they speak of.
struct BoundContexts {
    std::shared_ptr<AmbiguityWords> words;
    AmbiguityWords::Contexts contexts;
};

// Rows of `width` figures, one for each assignment of letters to keys, in threads.
template <typename Evaluate> Out2<double> ambiguities(const AmbiguityWords &words, const In2<std::uint8_t> &keys, int threads, std::size_t width, const Evaluate &evaluate) {
    const std::size_t n = keys.shape(0);
    if (keys.shape(1) != static_cast<std::size_t>(words.n_letters())) throw std::invalid_argument("a column is needed for every letter");
    auto out = block<double>(width * n);
    {
        nb::gil_scoped_release unlocked;
        std::atomic<std::size_t> next{0};
        in_threads(threads, n, [&] {
            // Kept from call to call: where memory goes back to the system at once, getting it again takes as long as the work.
            thread_local AmbiguityWords::Scratch scratch;
            for (std::size_t i; (i = next.fetch_add(1)) < n;) {
                const Ambiguity found = evaluate(keys.data() + i * keys.shape(1), scratch);
                const double values[] = {found.first, found.third, found.passed};
                std::copy_n(values, width, out.get() + width * i);
            }
        });
    }
    return array(n, width, std::move(out));
}

struct BoundContext : ContextModel {
    explicit BoundContext(const In1<std::uint8_t> &buffer) : ContextModel(buffer.data(), buffer.shape(0)), buffer_(buffer) {}
    In1<std::uint8_t> buffer_;

    // A state as Python keeps it: its bytes; none at all stand for the state before any token.
    std::vector<float> state_of(const nb::bytes &state) const {
        std::vector<float> values(state_size(), 0.0f);
        if (state.size() == 0) return values;
        if (state.size() != 4 * values.size()) throw std::invalid_argument("a state of another model");
        std::memcpy(values.data(), state.data(), state.size());
        return values;
    }
    void check(std::uint32_t token) const {
        if (token >= vocab()) throw nb::index_error("token outside the vocabulary");
    }
};

// What stands on bytes pickles by them.
template <typename Bound> nb::tuple reduced(nb::handle self) {
    const auto &buffer = nb::cast<const Bound &>(self).buffer_;
    const nb::object bytes = nb::cast(nb::ndarray<nb::numpy, const std::uint8_t, nb::ndim<1>>(buffer.data(), {buffer.shape(0)}, self), nb::rv_policy::copy);
    return nb::make_tuple(self.type(), nb::make_tuple(bytes));
}

struct BoundMixture {
    std::shared_ptr<BoundContext> model;
    std::shared_ptr<BoundTable> table;
    NetworkMixture mixture;
};

struct BoundSearcher {
    std::shared_ptr<BoundTable> table_owner;
    std::shared_ptr<Emitter> emitter;
    Searcher searcher;

    int n_columns() const {
        if (emitter) return static_cast<int>(emitter->n_keys());
        std::uint32_t highest = 0;
        for (const std::uint32_t c : searcher.letter_column()) highest = std::max(highest, c);
        return static_cast<int>(highest) + 1;
    }

    // Rows are points when the searcher has an emitter, else log densities per key.
    void check(const In2<double> &rows) const {
        if (emitter) {
            if (rows.shape(1) != 2) throw std::invalid_argument("points need two columns");
        } else if (rows.shape(1) < static_cast<std::size_t>(n_columns())) {
            throw std::invalid_argument("log densities need a column for every key");
        }
    }

    void emissions(const double *rows, std::size_t width, int n, Emissions &out) const {
        if (emitter)
            searcher.emissions_from_points(*emitter, rows, n, out);
        else
            searcher.emissions_from_columns(rows, n, width, out);
    }
};

nb::tuple as_tuple(const Hit &h) { return nb::make_tuple(h.word, h.total, h.touch, h.language, static_cast<int>(h.kind)); }

nb::list as_list(const std::vector<Hit> &hits) {
    nb::list out;
    for (const Hit &h : hits) out.append(as_tuple(h));
    return out;
}

struct BoundOverlay {
    Overlay overlay;
    std::shared_ptr<Lexicon> lexicon;
};

const Overlay kNoOverlay{};

const Overlay &overlay_of(const BoundSearcher &s, const BoundOverlay *bound) {
    if (!bound) return kNoOverlay;
    if (bound->lexicon.get() != &s.searcher.lexicon()) throw std::invalid_argument("the overlay was made for another lexicon");
    return bound->overlay;
}

// A language model's log probabilities of all words, laid over the tries of a lexicon.
struct DenseScores {
    std::shared_ptr<Lexicon> lexicon;
    WordScores scores;
};

DenseScores dense_scores(std::shared_ptr<Lexicon> lexicon, const In1<float> &log_probs) {
    if (log_probs.shape(0) != lexicon->n_words()) throw std::invalid_argument("one log probability is needed for each word");
    const float *values = log_probs.data();
    bool fine = true;
    for (std::size_t i = 0; i < log_probs.shape(0); ++i) fine &= values[i] <= kRounding;
    if (!fine) throw std::invalid_argument("a log probability is NaN or above 0");
    WordScores scores = lexicon->scores_of(values);
    return DenseScores{std::move(lexicon), std::move(scores)};
}

Given given(const BoundSearcher &s, std::span<const std::uint32_t> context, const DenseScores *dense) {
    if (!dense) return Given{context};
    if (dense->lexicon.get() != &s.searcher.lexicon()) throw std::invalid_argument("the scores were made for another lexicon");
    return Given{context, &dense->scores};
}

nb::tuple search_led(const BoundSearcher &s, const In2<double> &rows, const Tokens &context, std::size_t k, const Penalties &penalties,
                     const BoundOverlay *bound, const DenseScores *scores) {
    s.check(rows);
    const Overlay &overlay = overlay_of(s, bound);
    const Given from = given(s, context, scores);
    std::vector<Hit> hits;
    Hit finished;
    {
        nb::gil_scoped_release release;
        thread_local Emissions emissions;
        if (rows.shape(0) <= static_cast<std::size_t>(kMaxLetters) + 1) {
            s.emissions(rows.data(), rows.shape(1), static_cast<int>(rows.shape(0)), emissions);
            hits = s.searcher.search(emissions, from, k, penalties, overlay, &finished);
        }
    }
    return nb::make_tuple(as_list(hits), finished.total > kMinusInfinity ? nb::object(as_tuple(finished)) : nb::none());
}

nb::list search(const BoundSearcher &s, const In2<double> &rows, const Tokens &context, std::size_t k, const Penalties &penalties,
                const BoundOverlay *bound, const DenseScores *scores) {
    return nb::list(search_led(s, rows, context, k, penalties, bound, scores)[0]);
}

nb::list predict(const BoundSearcher &s, const Tokens &context, std::size_t k, const BoundOverlay *bound, const DenseScores *scores) {
    const Overlay &overlay = overlay_of(s, bound);
    const Given from = given(s, context, scores);
    std::vector<Hit> hits;
    {
        nb::gil_scoped_release release;
        hits = s.searcher.predict(from, k, overlay);
    }
    return as_list(hits);
}

nb::tuple batch(const BoundSearcher &s, const In2<double> &rows, const In1<std::uint32_t> &offsets, const In1<std::uint32_t> &context,
                const In1<std::uint32_t> &context_offsets, std::size_t k, const Penalties &penalties, int threads, const DenseScores *scores) {
    s.check(rows);
    const std::size_t m = offsets.shape(0) == 0 ? 0 : offsets.shape(0) - 1;
    if (offsets.shape(0) == 0 || offsets.data()[0] != 0 || offsets.data()[m] != rows.shape(0))
        throw std::invalid_argument("offsets must run from 0 to the number of touches");
    for (std::size_t i = 0; i < m; ++i)
        if (offsets.data()[i] > offsets.data()[i + 1]) throw std::invalid_argument("offsets must not fall");
    const Given from = given(s, {}, scores);
    const bool has_context = context_offsets.shape(0) != 0;
    if (has_context) {
        if (context_offsets.shape(0) != m + 1 || context_offsets.data()[m] > context.shape(0))
            throw std::invalid_argument("context offsets do not fit the words");
        for (std::size_t i = 0; i < m; ++i)
            if (context_offsets.data()[i] > context_offsets.data()[i + 1]) throw std::invalid_argument("context offsets must not fall");
    }
    if (m > 0 && k > std::numeric_limits<std::uint32_t>::max() / m) throw std::invalid_argument("k asks for more results than an array holds");
    auto words = block<std::int32_t>(m * k);
    auto totals = block<double>(m * k);
    {
        nb::gil_scoped_release release;
        std::fill_n(words.get(), m * k, -1);
        std::fill_n(totals.get(), m * k, kMinusInfinity);
        std::atomic<std::size_t> next{0};
        constexpr std::size_t kChunk = 64;
        const auto work = [&] {
            Emissions emissions;
            for (std::size_t start = next.fetch_add(kChunk); start < m; start = next.fetch_add(kChunk)) {
                for (std::size_t i = start; i < std::min(start + kChunk, m); ++i) {
                    const std::uint32_t first = offsets.data()[i], n = offsets.data()[i + 1] - first;
                    if (n > static_cast<std::uint32_t>(kMaxLetters)) continue;
                    s.emissions(rows.data() + static_cast<std::size_t>(first) * rows.shape(1), rows.shape(1), static_cast<int>(n), emissions);
                    Given here = from;
                    if (has_context)
                        here.context = {context.data() + context_offsets.data()[i], context_offsets.data()[i + 1] - context_offsets.data()[i]};
                    const auto hits = s.searcher.search(emissions, here, k, penalties, kNoOverlay);
                    for (std::size_t j = 0; j < hits.size(); ++j) {
                        words[i * k + j] = static_cast<std::int32_t>(hits[j].word);
                        totals[i * k + j] = hits[j].total;
                    }
                }
            }
        };
        in_threads(threads, (m + kChunk - 1) / kChunk, work);
    }
    return nb::make_tuple(array(m, k, std::move(words)), array(m, k, std::move(totals)));
}

// Letters as a bytes object of indices.
nb::bytes as_bytes(const std::vector<std::uint8_t> &letters) { return nb::bytes(reinterpret_cast<const char *>(letters.data()), letters.size()); }

void check_letters(const Speller &speller, const BoundSearcher &s) {
    if (speller.n_letters() != s.searcher.lexicon().n_letters()) throw std::invalid_argument("speller and searcher differ in their letters");
}

// A word under the letter model: the beam after each touch, kept for as long as the touches before stay.
struct Spelling {
    std::shared_ptr<Speller> speller;
    std::vector<Speller::Beam> beams{speller->start()};
    std::vector<double> rows{};  // what the beams were made of, by the searcher of this number
    std::size_t width = 0;
    std::uint64_t searcher = 0;
};

nb::list spelling_best(Spelling &spelling, const BoundSearcher &s, const In2<double> &rows, std::size_t k) {
    s.check(rows);
    const Speller &speller = *spelling.speller;
    check_letters(speller, s);
    const std::size_t n = rows.shape(0), width = rows.shape(1);
    std::vector<Spelled> found;
    {
        nb::gil_scoped_release release;
        std::size_t same = 0;
        if (spelling.searcher == s.searcher.id() && spelling.width == width)
            same = static_cast<std::size_t>(std::mismatch(rows.data(), rows.data() + n * width, spelling.rows.begin(), spelling.rows.end()).first - rows.data()) / width;
        spelling.beams.resize(std::min(same + 1, spelling.beams.size()));
        spelling.searcher = s.searcher.id();
        spelling.width = width;
        spelling.rows.assign(rows.data(), rows.data() + n * width);
        Emissions emissions;
        for (std::size_t i = spelling.beams.size() - 1; i < n; ++i) {
            s.emissions(rows.data() + i * width, width, 1, emissions);
            spelling.beams.push_back(speller.step(spelling.beams.back(), emissions.row(0), emissions.n_letters));
        }
        found = speller.finish(spelling.beams.back(), k);
    }
    nb::list out;
    for (const Spelled &one : found) out.append(nb::make_tuple(as_bytes(one.letters), one.total, one.touch, one.language));
    return out;
}

// A model written in Python: see `_kernel.pyi`.
class PythonModel final : public SentenceModel {
public:
    PythonModel(nb::object model, const BoundSearcher &searcher) : model_(std::move(model)), searcher_(searcher) {}

    std::shared_ptr<const WordScores> scores(std::uint32_t state) override {
        nb::gil_scoped_acquire acquire;
        const auto dense = nb::cast<std::shared_ptr<DenseScores>>(model_.attr("scores")(state));
        return {dense, given(searcher_, {}, dense.get()).scores};
    }
    double unknown(std::uint32_t state) override {
        nb::gil_scoped_acquire acquire;
        return nb::cast<double>(model_.attr("unknown")(state));
    }
    std::uint32_t advance(std::uint32_t state, std::uint32_t word, const std::vector<std::uint8_t> &letters) override {
        nb::gil_scoped_acquire acquire;
        const nb::object said = word == kSpelled ? nb::object(as_bytes(letters)) : nb::cast(word);
        return nb::cast<std::uint32_t>(model_.attr("advance")(state, said));
    }

private:
    nb::object model_;
    const BoundSearcher &searcher_;
};

nb::list sentence(const BoundSearcher &s, const Speller *speller, const In2<double> &rows, const Tokens &context, std::size_t k, const Penalties &penalties,
                  const In1<double> &space, const In1<std::uint8_t> &boundary, double missing_space, std::size_t width, std::size_t words, double reach,
                  nb::object model) {
    s.check(rows);
    const std::size_t n = rows.shape(0);
    if ((space.shape(0) != 0 && space.shape(0) != n) || (boundary.shape(0) != 0 && boundary.shape(0) != n))
        throw std::invalid_argument("space and boundary need a value for every touch");
    if (speller) check_letters(*speller, s);
    if (width < 1 || words < 1) throw std::invalid_argument("width and words must be 1 or more");
    std::vector<Sentence> found;
    std::optional<PythonModel> outside;
    if (!model.is_none()) outside.emplace(std::move(model), s);
    {
        nb::gil_scoped_release release;
        Emissions emissions;
        s.emissions(rows.data(), rows.shape(1), static_cast<int>(n), emissions);
        const SentenceOptions options{missing_space, copied(space), copied(boundary), width, words, reach, speller != nullptr};
        found = decode_sentence(s.searcher, speller, emissions, context, k, penalties, options, outside ? &*outside : nullptr);
    }
    nb::list out;
    for (const Sentence &f : found) {
        nb::list parts;
        for (const SentenceWord &w : f.words)
            parts.append(nb::make_tuple(w.word == kSpelled ? nb::cast(as_bytes(w.letters)) : nb::cast(w.word), w.first, w.last, w.space));
        out.append(nb::make_tuple(f.total, f.touch, f.language, parts));
    }
    return out;
}

// Touch scores of every entry of one length, for language models that live outside the kernel.
nb::tuple touch_scores(const BoundSearcher &s, const In2<double> &rows) {
    s.check(rows);
    const int n = static_cast<int>(rows.shape(0));
    const Lexicon &lexicon = s.searcher.lexicon();
    const std::uint32_t first = lexicon.first_of_length(n), last = lexicon.first_of_length(n + 1);
    auto words = block<std::uint32_t>(last - first);
    auto touch = block<double>(last - first);
    {
        nb::gil_scoped_release release;
        Emissions emissions;
        s.emissions(rows.data(), rows.shape(1), n, emissions);
        for (std::uint32_t e = first; e < last; ++e) {
            words[e - first] = lexicon.word(e);
            touch[e - first] = s.searcher.touch_of(emissions, e);
        }
    }
    return nb::make_tuple(array(last - first, std::move(words)), array(last - first, std::move(touch)));
}

std::shared_ptr<Emitter> make_emitter(const In1<std::int32_t> &key, const In1<double> &log_weight, const In2<double> &mean, const In2<double> &precision,
                                      const In1<double> &log_norm, std::size_t n_keys, double background_weight, double background_log_density, double dof) {
    const std::size_t n = key.shape(0);
    if (log_weight.shape(0) != n || mean.shape(0) != n || precision.shape(0) != n || log_norm.shape(0) != n || mean.shape(1) != 2 || precision.shape(1) != 3)
        throw std::invalid_argument("component arrays differ in shape");
    if (!(background_weight >= 0.0 && background_weight < 1.0)) throw std::invalid_argument("background_weight must lie in [0, 1)");
    if (!(dof > 0.0)) throw std::invalid_argument("dof must be above 0");
    std::vector<std::vector<Component>> keys(n_keys);
    for (std::size_t i = 0; i < n; ++i) {
        const std::int32_t k = key.data()[i];
        if (k < 0 || static_cast<std::size_t>(k) >= n_keys) throw std::invalid_argument("a component names a key outside the layout");
        const double *m = mean.data() + 2 * i, *p = precision.data() + 3 * i;
        keys[k].push_back(Component{m[0], m[1], p[0], p[1], p[2], log_weight.data()[i] + log_norm.data()[i]});
    }
    return std::make_shared<Emitter>(std::move(keys), background_weight, background_log_density, dof);
}

Out2<double> emitter_log_prob(const Emitter &e, const In2<double> &points) {
    if (points.shape(1) != 2) throw std::invalid_argument("points need two columns");
    const std::size_t n = points.shape(0), m = e.n_keys();
    auto out = block<double>(n * m);
    for (std::size_t i = 0; i < n; ++i) e.log_probs(points.data()[2 * i], points.data()[2 * i + 1], out.get() + i * m);
    return array(n, m, std::move(out));
}

nb::bytes context_advance(const BoundContext &m, const nb::bytes &state, const Tokens &tokens) {
    for (const std::uint32_t token : tokens) m.check(token);
    auto values = m.state_of(state);
    {
        nb::gil_scoped_release release;
        for (const std::uint32_t token : tokens) m.advance(values.data(), token);
    }
    return nb::bytes(reinterpret_cast<const char *>(values.data()), 4 * values.size());
}

Out1<float> context_log_probs(const BoundContext &m, const nb::bytes &state) {
    const auto values = m.state_of(state);
    auto out = block<float>(m.vocab());
    {
        nb::gil_scoped_release release;
        m.probabilities(values.data(), out.get());
        for (std::uint32_t t = 0; t < m.vocab(); ++t) out[t] = std::log(out[t]);
    }
    return array(m.vocab(), std::move(out));
}

// Log probabilities of each token from the second on, and of `beside` in its place. `by_sentence`: nothing is remembered
// from the sentence before.
Out2<double> context_score(const BoundContext &m, const In1<std::uint32_t> &tokens, bool by_sentence, std::uint32_t beside) {
    const std::size_t n = tokens.shape(0), most = n == 0 ? 0 : n - 1;
    m.check(beside);
    for (std::size_t i = 0; i < n; ++i) m.check(tokens.data()[i]);
    auto out = block<double>(2 * most);
    {
        nb::gil_scoped_release release;
        std::vector<float> state(m.state_size(), 0.0f);
        for (std::size_t i = 0; i < most; ++i) {
            const std::uint32_t token = tokens.data()[i], asked[2] = {tokens.data()[i + 1], beside};
            if (by_sentence && token == m.bos()) std::ranges::fill(state, 0.0f);
            m.advance(state.data(), token);
            if (asked[0] == m.bos())
                out[2 * i] = out[2 * i + 1] = kMinusInfinity;  // nobody asks what precedes a sentence's start
            else
                m.log_probs(state.data(), asked, &out[2 * i]);
        }
    }
    return array(most, 2, std::move(out));
}

Out1<float> mixture_log_probs(const BoundMixture &m, const nb::bytes &state, const Tokens &words) {
    const auto values = m.model->state_of(state);
    const std::uint32_t vocab = m.model->vocab();
    auto out = block<float>(vocab);
    {
        nb::gil_scoped_release release;
        m.mixture.log_probs(values.data(), words, out.get());
    }
    return array(vocab, std::move(out));
}

double table_log_prob(const NgramTable &t, const Tokens &context, std::uint32_t word) {
    if (word >= t.vocab()) throw nb::index_error("word id outside the vocabulary");
    return t.log_prob(t.resolve(context.data(), context.size()), word);
}

Out1<double> table_log_probs(const NgramTable &t, const Tokens &context, const In1<std::uint32_t> &words) {
    const std::size_t n = words.shape(0);
    for (std::size_t i = 0; i < n; ++i)
        if (words.data()[i] >= t.vocab()) throw nb::index_error("word id outside the vocabulary");
    auto out = block<double>(n);
    const auto resolved = t.resolve(context.data(), context.size());
    for (std::size_t i = 0; i < n; ++i) out[i] = t.log_prob(resolved, words.data()[i]);
    return array(n, std::move(out));
}

// Log probability of each token from `start` on, given the tokens before it.
Out1<double> table_score(const NgramTable &t, const In1<std::uint32_t> &tokens, std::size_t start) {
    const std::size_t n = tokens.shape(0);
    for (std::size_t i = 0; i < n; ++i)
        if (tokens.data()[i] >= t.vocab()) throw nb::index_error("word id outside the vocabulary");
    const std::size_t from = std::min(start, n);
    auto out = block<double>(n - from);
    for (std::size_t i = from; i < n; ++i) out[i - from] = t.log_prob(t.resolve(tokens.data(), i), tokens.data()[i]);
    return array(n - from, std::move(out));
}

// Log probability of one token in the place of each, from the second on.
Out1<double> table_score_as(const NgramTable &t, const In1<std::uint32_t> &tokens, std::uint32_t token) {
    const std::size_t n = tokens.shape(0), most = n == 0 ? 0 : n - 1;
    if (token >= t.vocab()) throw nb::index_error("word id outside the vocabulary");
    auto out = block<double>(most);
    for (std::size_t i = 1; i < n; ++i) out[i - 1] = t.log_prob(t.resolve(tokens.data(), i), token);
    return array(most, std::move(out));
}

// How many of the tokens before each token, from the second on, the table knows as a context.
Out1<std::uint8_t> table_known_context(const NgramTable &t, const In1<std::uint32_t> &tokens) {
    const std::size_t n = tokens.shape(0), most = n == 0 ? 0 : n - 1;
    auto out = block<std::uint8_t>(most);
    for (std::size_t i = 1; i < n; ++i) {
        const auto resolved = t.resolve(tokens.data(), i);
        out[i - 1] = static_cast<std::uint8_t>(resolved.n_spans ? resolved.spans[0].level : 0);
    }
    return array(most, std::move(out));
}

// The explicit followers of a context with their log probabilities, longest context first, each word once.
nb::tuple table_followers(const NgramTable &t, const Tokens &context) {
    const auto resolved = t.resolve(context.data(), context.size());
    std::vector<bool> seen(t.vocab(), false);
    std::vector<std::uint32_t> words;
    std::vector<double> probs;
    for (int s = 0; s < resolved.n_spans; ++s) {
        const auto &span = resolved.spans[s];
        for (std::uint64_t at = span.begin; at < span.end; ++at) {
            const std::uint32_t w = t.id_at(span.level, at);
            if (w >= t.vocab() || seen[w]) continue;
            seen[w] = true;
            words.push_back(w);
            probs.push_back(span.shift + t.prob_at(span.level, at));
        }
    }
    return nb::make_tuple(array(words), array(probs));
}

Out1<std::int64_t> find(const In1<std::int64_t> &keys, const In1<std::int64_t> &wanted) {
    const std::size_t n = wanted.shape(0);
    auto out = block<std::int64_t>(n);
    {
        nb::gil_scoped_release release;
        find_sorted(keys.data(), keys.shape(0), wanted.data(), n, out.get());
    }
    return array(n, std::move(out));
}

nb::tuple runs(const In1<std::uint64_t> &values) {
    const std::size_t n = values.shape(0), found = n_distinct(values.data(), n);
    auto distinct = block<std::uint64_t>(found);
    auto times = block<std::int64_t>(found);
    {
        nb::gil_scoped_release release;
        runs_of(values.data(), n, distinct.get(), times.get());
    }
    return nb::make_tuple(array(found, std::move(distinct)), array(found, std::move(times)));
}

Out1<std::int32_t> read_tokens(TokenReader &reader, std::string_view text) {
    std::vector<std::int32_t> ids;
    {
        nb::gil_scoped_release release;
        ids = reader.read(text);
    }
    return array(ids);
}

nb::bytes arpa_rows(const ArpaWriter &writer, const In1<double> &log10, const In2<std::int64_t> &tokens, const std::optional<In1<double>> &backoff,
                    const std::optional<In1<std::uint8_t>> &has_backoff) {
    const std::size_t n = log10.shape(0);
    if (tokens.shape(0) != n || backoff.has_value() != has_backoff.has_value() ||
        (backoff && (backoff->shape(0) != n || has_backoff->shape(0) != n)))
        throw std::invalid_argument("rows differ in number");
    std::string out;
    {
        nb::gil_scoped_release release;
        out = writer.rows(log10.data(), tokens.data(), n, tokens.shape(1), backoff ? backoff->data() : nullptr,
                          has_backoff ? has_backoff->data() : nullptr);
    }
    return nb::bytes(out.data(), out.size());
}

}  // namespace
}  // namespace nearkey

NB_MODULE(_kernel, m) {
    using namespace nearkey;
    m.doc() = "Compiled kernel: n-gram tables, lexicon tries, touch densities and the exact word search.";
    m.attr("MAX_LETTERS") = kMaxLetters;

    nb::class_<BoundTable>(m, "NgramTable")
        .def(nb::init<const In1<std::uint8_t> &>(), "buffer"_a)
        .def("__reduce__", &reduced<BoundTable>)
        .def_prop_ro("order", [](const BoundTable &t) { return t.order(); })
        .def_prop_ro("vocab", [](const BoundTable &t) { return t.vocab(); })
        .def_prop_ro("bos", [](const BoundTable &t) { return t.bos(); })
        .def_prop_ro("eos", [](const BoundTable &t) { return t.eos(); })
        .def_prop_ro("unk", [](const BoundTable &t) { return t.unk(); })
        .def("count", [](const BoundTable &t, int order) {
            if (order < 1 || order > t.order()) throw nb::index_error("order outside the table");
            return t.count(order);
        }, "order"_a)
        .def("log_prob", [](const BoundTable &t, const Tokens &c, std::uint32_t w) { return table_log_prob(t, c, w); }, "context"_a, "word"_a)
        .def("log_probs", [](const BoundTable &t, const Tokens &c, const In1<std::uint32_t> &w) { return table_log_probs(t, c, w); }, "context"_a, "words"_a)
        .def("score", [](const BoundTable &t, const In1<std::uint32_t> &tokens, std::size_t start) { return table_score(t, tokens, start); }, "tokens"_a, "start"_a = 1)
        .def("score_as", [](const BoundTable &t, const In1<std::uint32_t> &tokens, std::uint32_t token) { return table_score_as(t, tokens, token); }, "tokens"_a, "token"_a)
        .def("known_context", [](const BoundTable &t, const In1<std::uint32_t> &tokens) { return table_known_context(t, tokens); }, "tokens"_a)
        .def("followers", [](const BoundTable &t, const Tokens &c) { return table_followers(t, c); }, "context"_a);

    nb::class_<BoundContext>(m, "ContextModel")
        .def(nb::init<const In1<std::uint8_t> &>(), "buffer"_a)
        .def("__reduce__", &reduced<BoundContext>)
        .def_prop_ro("vocab", [](const BoundContext &c) { return c.vocab(); })
        .def_prop_ro("width", [](const BoundContext &c) { return c.width(); })
        .def_prop_ro("cells", [](const BoundContext &c) { return c.cells(); })
        .def_prop_ro("layers", [](const BoundContext &c) { return c.layers(); })
        .def_prop_ro("bos", [](const BoundContext &c) { return c.bos(); })
        .def_prop_ro("state_bytes", [](const BoundContext &c) { return 4 * c.state_size(); })
        .def("advance", &context_advance, "state"_a, "tokens"_a)
        .def("log_probs", &context_log_probs, "state"_a)
        .def("score", &context_score, "tokens"_a, "by_sentence"_a, "beside"_a);

    nb::class_<BoundMixture>(m, "NetworkMixture")
        .def("__init__", [](BoundMixture *self, std::shared_ptr<BoundContext> model, std::shared_ptr<BoundTable> table, const In1<float> &weights) {
            const ContextModel &network = *model;
            const NgramTable &grams = *table;
            new (self) BoundMixture{std::move(model), std::move(table), NetworkMixture(network, grams, copied(weights))};
        }, "model"_a, "table"_a, "weights"_a)
        .def("log_probs", &mixture_log_probs, "state"_a, "words"_a);

    nb::class_<Lexicon>(m, "Lexicon")
        .def("__init__", [](Lexicon *self, const In1<std::uint8_t> &letters, const In1<std::uint32_t> &offsets, const In1<std::uint32_t> &entry_word,
                            const In1<float> &entry_log_prob, std::uint32_t n_letters, std::uint32_t n_words) {
            new (self) Lexicon(copied(letters), copied(offsets), copied(entry_word), copied(entry_log_prob), n_letters, n_words);
        }, "letters"_a, "offsets"_a, "entry_word"_a, "entry_log_prob"_a, "n_letters"_a, "n_words"_a)
        .def_prop_ro("n_entries", &Lexicon::n_entries)
        .def_prop_ro("n_words", &Lexicon::n_words)
        .def_prop_ro("n_letters", &Lexicon::n_letters)
        .def_prop_ro("max_length", &Lexicon::max_length)
        .def_prop_ro("n_bytes", &Lexicon::n_bytes);

    nb::class_<DenseScores>(m, "DenseScores")
        .def("__init__", [](DenseScores *self, std::shared_ptr<Lexicon> lexicon, const In1<float> &log_probs) {
            new (self) DenseScores(dense_scores(std::move(lexicon), log_probs));
        }, "lexicon"_a, "log_probs"_a);

    nb::class_<Emitter>(m, "Emitter")
        .def_static("of", &make_emitter, "key"_a, "log_weight"_a, "mean"_a, "precision"_a, "log_norm"_a, "n_keys"_a, "background_weight"_a, "background_log_density"_a, "dof"_a = std::numeric_limits<double>::infinity())
        .def_prop_ro("n_keys", &Emitter::n_keys)
        .def("log_prob", &emitter_log_prob, "points"_a);

    nb::class_<Penalties>(m, "Penalties")
        .def("__init__", [](Penalties *self, double omitted, double extra, double swapped, double completion, double window, double floor, double lead,
                            const std::optional<In1<std::uint8_t>> &hidden) {
            new (self) Penalties{omitted, extra, swapped, completion, window, floor, lead, hidden ? std::make_shared<const std::vector<std::uint8_t>>(copied(*hidden)) : nullptr};
        }, "omitted"_a = kMinusInfinity, "extra"_a = kMinusInfinity, "swapped"_a = kMinusInfinity, "completion"_a = kMinusInfinity,
            "window"_a = std::numeric_limits<double>::infinity(), "floor"_a = kMinusInfinity, "lead"_a = 0.0, "hidden"_a.none() = nb::none())
        .def("above", [](const Penalties &penalties, double floor) {
            Penalties made = penalties;
            made.floor = floor;
            return made;
        }, "floor"_a);

    // Bound to the lexicon it was checked against, so that searches need not check again.
    nb::class_<BoundOverlay>(m, "Overlay")
        .def("__init__", [](BoundOverlay *self, std::shared_ptr<Lexicon> lexicon, double keep, const In1<std::uint32_t> &word, const In1<double> &log_prob,
                            const In1<std::uint8_t> &new_letters, const In1<std::uint32_t> &new_offset, const In1<double> &new_log_prob) {
            BoundOverlay made{{keep, copied(word), copied(log_prob), copied(new_letters), copied(new_offset), copied(new_log_prob)}, lexicon};
            made.overlay.check(*lexicon);
            new (self) BoundOverlay(std::move(made));
        }, "lexicon"_a, "keep"_a, "word"_a, "log_prob"_a, "new_letters"_a, "new_offset"_a, "new_log_prob"_a);

    nb::class_<BoundSearcher>(m, "Searcher")
        .def("__init__", [](BoundSearcher *self, std::shared_ptr<Lexicon> lexicon, std::shared_ptr<BoundTable> table, const In1<std::uint32_t> &token,
                            const In1<std::uint32_t> &letter_column, double lm_weight, std::shared_ptr<Emitter> emitter) {
            if (emitter)
                for (std::size_t i = 0; i < letter_column.shape(0); ++i)
                    if (letter_column.data()[i] >= emitter->n_keys()) throw std::invalid_argument("a letter's column lies outside the touch model");
            new (self) BoundSearcher{table, emitter, Searcher(lexicon, table, copied(token), copied(letter_column), lm_weight)};
        }, "lexicon"_a, "table"_a.none(), "token"_a, "letter_column"_a, "lm_weight"_a, "emitter"_a.none())
        .def("search", &search, "rows"_a, "context"_a, "k"_a, "penalties"_a, "overlay"_a.none() = nb::none(), "scores"_a.none() = nb::none())
        .def("search_led", &search_led, "rows"_a, "context"_a, "k"_a, "penalties"_a, "overlay"_a.none() = nb::none(), "scores"_a.none() = nb::none())
        .def("predict", &predict, "context"_a, "k"_a, "overlay"_a.none() = nb::none(), "scores"_a.none() = nb::none())
        .def("batch", &batch, "rows"_a, "offsets"_a, "context"_a, "context_offsets"_a, "k"_a, "penalties"_a, "threads"_a = 1, "scores"_a.none() = nb::none())
        .def("touch_scores", &touch_scores, "rows"_a);

    nb::class_<Speller>(m, "Speller")
        .def("__init__", [](Speller *self, std::shared_ptr<BoundTable> table, const In1<std::uint32_t> &token, double weight, int width) {
            new (self) Speller(table, copied(token), weight, width);
        }, "table"_a, "token"_a, "weight"_a, "width"_a);

    nb::class_<Spelling>(m, "Spelling")
        .def("__init__", [](Spelling *self, std::shared_ptr<Speller> speller) {
            new (self) Spelling{std::move(speller)};
        }, "speller"_a)
        .def("best", &spelling_best, "searcher"_a, "rows"_a, "k"_a);

    nb::class_<AmbiguityWords>(m, "AmbiguityWords")
        .def("__init__", [](AmbiguityWords *self, const In2<std::uint8_t> &letters, const In1<double> &share, int n_letters) {
            new (self) AmbiguityWords({letters.data(), letters.size()}, letters.shape(1), {share.data(), share.shape(0)}, n_letters);
        }, "letters"_a, "share"_a, "n_letters"_a)
        .def_prop_ro("n_letters", &AmbiguityWords::n_letters)
        .def("__len__", &AmbiguityWords::n_words)
        .def("evaluate", [](const AmbiguityWords &words, const In2<std::uint8_t> &keys, int n_keys, int threads) {
            return ambiguities(words, keys, threads, 3, [&](const std::uint8_t *row, AmbiguityWords::Scratch &scratch) { return words.evaluate(row, n_keys, scratch); });
        }, "keys"_a, "n_keys"_a, "threads"_a = 1);

    nb::class_<NearLayouts>(m, "NearLayouts")
        .def("__init__", [](NearLayouts *self, std::shared_ptr<AmbiguityWords> words, int n_keys, const std::string &measure) {
            const std::array names{"top1", "top3", "above"};
            const auto at = std::ranges::find(names, measure);
            if (at == names.end()) throw std::invalid_argument("the measure is top1, top3 or above");
            new (self) NearLayouts(std::move(words), n_keys, static_cast<AmbiguityCost>(at - names.begin()));
        }, "words"_a, "n_keys"_a, "measure"_a)
        .def("bound", [](NearLayouts &self, const In1<std::uint8_t> &here, const In2<std::uint8_t> &keys, double most) {
            const auto letters = static_cast<std::size_t>(self.words().n_letters());
            if (here.shape(0) != letters || keys.shape(1) != letters) throw std::invalid_argument("a column is needed for every letter");
            auto out = block<double>(keys.shape(0));
            {
                nb::gil_scoped_release unlocked;
                const std::lock_guard alone(self.lock);
                self.set(here.data());
                self.bounds(keys.data(), keys.shape(0), most, out.get());
            }
            return array(keys.shape(0), std::move(out));
        }, "here"_a, "keys"_a, "most"_a);

    nb::class_<BoundContexts>(m, "AmbiguityContexts")
        .def("__init__", [](BoundContexts *self, std::shared_ptr<AmbiguityWords> words, const In1<double> &left, const In1<std::uint32_t> &offset, const In1<std::uint32_t> &word, const In1<double> &probability) {
            BoundContexts made{words, {copied(left), copied(offset), copied(word), copied(probability)}};
            words->bind(made.contexts);
            new (self) BoundContexts(std::move(made));
        }, "words"_a, "left"_a, "offset"_a, "word"_a, "probability"_a)
        .def("evaluate", [](const BoundContexts &self, const In2<std::uint8_t> &keys, int n_keys, int threads) {
            return ambiguities(*self.words, keys, threads, 2, [&](const std::uint8_t *row, AmbiguityWords::Scratch &scratch) { return self.words->evaluate_after(row, n_keys, self.contexts, scratch); });
        }, "keys"_a, "n_keys"_a, "threads"_a = 1);

    m.def("find_sorted", &find, "keys"_a, "wanted"_a);

    m.def("runs", &runs, "ascending"_a);

    nb::class_<TokenReader>(m, "TokenReader")
        .def(nb::init<const std::vector<std::string> &, std::uint32_t, std::uint32_t>(), "first"_a, "begin"_a, "end"_a)
        .def("read", &read_tokens, "text"_a)
        .def("tokens", [](const TokenReader &reader) {
            nb::list out;
            for (std::size_t id = 0; id < reader.size(); ++id) out.append(nb::str(reader.token(id).data(), reader.token(id).size()));
            return out;
        })
        .def("__len__", &TokenReader::size);

    nb::class_<ArpaWriter>(m, "ArpaWriter")
        .def(nb::init<const std::vector<std::string> &>(), "tokens"_a)
        .def("rows", &arpa_rows, "log10"_a, "tokens"_a, "backoff"_a.none() = nb::none(), "has_backoff"_a.none() = nb::none());

    m.def("decode_sentence", &sentence, "searcher"_a, "speller"_a.none(), "rows"_a, "context"_a, "k"_a, "penalties"_a, "space"_a, "boundary"_a,
          "missing_space"_a, "width"_a, "words"_a, "reach"_a, "model"_a.none() = nb::none());
}
