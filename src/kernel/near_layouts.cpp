#include "near_layouts.hpp"

#include <algorithm>
#include <bit>
#include <functional>
#include <random>
#include <stdexcept>

namespace nearkey {
namespace {

constexpr double kRounding = 1e-12;
constexpr std::size_t kSlots = 8, kCounted = 8, kCountedWords = 0xffff;  // a word; codes a word, at most; words, at most
constexpr std::uint32_t kPlaced = 1u << 31, kMost = std::numeric_limits<std::uint32_t>::max();

std::size_t slots_for(std::size_t words, std::size_t each) { return std::bit_ceil(std::max<std::size_t>(each * words, 16)); }
int shift_to(std::size_t slots) { return 32 - std::countr_zero(slots); }
constexpr std::uint32_t enough_for(AmbiguityCost cost) { return cost == AmbiguityCost::not_first ? 1 : cost == AmbiguityCost::not_third ? 3 : kMost; }
// A mask that chooses without a branch.
std::uint32_t where(std::uint32_t is) { return 0u - is; }

}  // namespace

NearLayouts::NearLayouts(std::shared_ptr<const AmbiguityWords> words, int n_keys, AmbiguityCost cost)
    : words_(std::move(words)), n_keys_(n_keys), kind_(cost), enough_(enough_for(cost)), letters_(static_cast<std::size_t>(words_->n_letters())) {
    if (letters_.size() > 64) throw std::invalid_argument("at most 64 letters are supported");
    if (n_keys < 1 || n_keys > 255) throw std::invalid_argument("between 1 and 255 keys are supported");
    std::size_t most = 0, codes = 1;
    words_->each_length([&](int width, std::span<const double> share, const auto &letter) {
        const std::size_t n = share.size();
        Length made{};
        made.n = static_cast<std::uint32_t>(n);
        made.width = static_cast<std::uint32_t>(width);
        made.n_codes = 1;
        for (int i = 0; i < width && made.n_codes <= kMost; ++i) made.n_codes *= static_cast<std::size_t>(n_keys);
        made.exact = made.n_codes <= kMost;
        made.counted = made.n_codes <= kCounted * n && n <= kCountedWords;
        std::vector<std::uint32_t> value;
        std::mt19937 any;
        for (std::uint32_t i = 0, one = made.counted ? 1 : 0x9e3779b9u; i < made.width; ++i, one *= static_cast<std::uint32_t>(n_keys)) value.push_back(made.exact ? one : static_cast<std::uint32_t>(any()));
        made.share.assign(share.begin(), share.end());
        made.word.resize(n + 1);
        made.word[0].letters = std::numeric_limits<std::uint64_t>::max();  // stands for none
        std::vector<std::vector<Entry>> entries(letters_.size());
        std::vector<std::uint32_t> own(letters_.size());
        for (std::uint32_t w = 0; w < n; ++w) {
            Word &word = made.word[w + 1];
            word.share = share[w];
            std::ranges::fill(own, 0);
            for (int i = 0; i < width; ++i) {
                const auto l = letter(w, i);
                own[l] += value[static_cast<std::size_t>(i)];
                word.letters |= std::uint64_t{1} << l;
                made.letter.push_back(static_cast<std::uint8_t>(l));
            }
            for (std::size_t l = 0; l < own.size(); ++l)
                if (word.letters >> l & 1) entries[l].push_back({w, own[l]});
        }
        for (const std::vector<Entry> &some : entries) {
            made.entry_begin.push_back(static_cast<std::uint32_t>(made.entry.size()));
            made.entry.insert(made.entry.end(), some.begin(), some.end());
        }
        made.entry_begin.push_back(static_cast<std::uint32_t>(made.entry.size()));
        made.code.resize(n);
        if (made.counted) {
            codes = std::max(codes, made.n_codes);
        } else {
            made.slot.resize(slots_for(n, kSlots));
            made.shift = shift_to(made.slot.size());
            made.above.resize(n);
            made.shared.resize(n);
            made.tops.resize(n);
        }
        most = std::max(most, n);
        lengths_.push_back(std::move(made));
    });
    std::ranges::stable_sort(lengths_, std::greater{}, [](const Length &length) {
        double sum = 0.0;
        for (const double share : length.share) sum += share;
        return sum / length.n;
    });
    for (std::size_t above = 0; above <= most; ++above) factor_.push_back(kind_ == AmbiguityCost::above ? static_cast<double>(above) : above >= enough_);
    factor_.resize(std::max<std::size_t>(factor_.size(), 256), 1.0);
    if (kind_ == AmbiguityCost::above)
        many_.resize(codes);
    else
        few_.resize(codes);
    for (std::vector<std::uint32_t> *list : {&code_, &before_, &left_}) list->resize(most + 2);
    poured_.resize(most + 2);
    hit_.resize(most + 2);
    share_.resize(most + 2);
    slot_.resize(slots_for(most, kSlots));
}

void NearLayouts::set(const std::uint8_t *keys) {
    const std::size_t n = letters_.size();
    if (std::any_of(keys, keys + n, [&](std::uint8_t key) { return key >= n_keys_; })) throw std::invalid_argument("a key outside the layout");
    if (std::equal(keys_.begin(), keys_.end(), keys, keys + n)) return;
    std::vector<std::uint8_t> old = keys_.empty() ? std::vector<std::uint8_t>(n, 0) : keys_;
    keys_.assign(keys, keys + n);
    for (Letter &letter : letters_) letter.known = false;
    now_ = 0.0;
    for (Length &length : lengths_) {
        for (std::size_t l = 0; l < n; ++l) {
            const std::uint32_t step = std::uint32_t{keys_[l]} - old[l];
            for (std::uint32_t i = length.entry_begin[l]; step && i < length.entry_begin[l + 1]; ++i) length.code[length.entry[i].word] += step * length.entry[i].unit;
        }
        if (!length.counted) now_ += place(length);
    }
}

double NearLayouts::place(Length &length) {
    std::ranges::fill(length.slot, 0);
    std::ranges::fill(length.shared, 0);
    std::ranges::fill(length.above, 0);
    length.stamp = 0;
    std::uint32_t met = 0;
    for (std::uint32_t w = length.n; w-- > 0;) {
        std::uint32_t &first = length.slot[length.code[w] >> length.shift];
        length.word[w + 1].code = length.code[w];
        length.word[w + 1].next = first & ~kPlaced;
        left_[met] = w;
        met += first != 0;
        first = kPlaced | (w + 1);
    }
    for (std::uint32_t i = 0; i < met; ++i) {
        const std::uint32_t w = left_[i];
        std::uint32_t other = length.word[w + 1].next;
        while (other && !(length.code[other - 1] == length.code[w] && (length.exact || same(length, other - 1, w, keys_.data())))) other = length.word[other].next;
        if (!other) continue;
        length.shared[w] = length.shared[other - 1] = 1;
        length.above[other - 1] = w + 1;
    }
    double cost = 0.0;
    for (std::uint32_t w = 0; w < length.n; ++w) {
        const std::uint32_t other = length.above[w], above = before_[w] = other ? before_[other - 1] + 1 : 0;
        std::uint64_t &tops = length.tops[w] = std::numeric_limits<std::uint64_t>::max();
        if (above) cost += length.share[w] * factor_[above];
        const std::uint8_t *own = length.letter.data() + std::size_t{w} * length.width;
        for (std::uint32_t v = other; v && tops & length.word[w + 1].letters; v = length.above[v - 1]) {
            const std::uint8_t *its = length.letter.data() + std::size_t{v - 1} * length.width;
            std::uint64_t parts = 0;
            for (std::uint32_t i = 0; i < length.width; ++i) parts |= std::uint64_t{1} << own[i] ^ std::uint64_t{1} << its[i];
            tops &= parts;
        }
    }
    return cost;
}

template <typename Count> double NearLayouts::counted(const Length &length, const std::uint32_t *code, std::vector<Count> &count) const {
    std::fill_n(count.begin(), length.n_codes, Count{0});
    const double *share = length.share.data(), *factor = factor_.data();
    Count *counts = count.data();
    // Two sums, since one addition waits for the one before it. Where words beyond the third count alike, 255 will do.
    double sum[2] = {0.0, 0.0};
    const auto next = [&](std::uint32_t w) {
        Count &above = counts[code[w]];
        const double own = share[w] * factor[above];
        above = static_cast<Count>(above + (above < std::numeric_limits<Count>::max()));
        return own;
    };
    for (std::uint32_t w = 0; w + 1 < length.n; w += 2) {
        sum[0] += next(w);
        sum[1] += next(w + 1);
    }
    return sum[0] + sum[1] + (length.n % 2 ? next(length.n - 1) : 0.0);
}

void NearLayouts::learn(std::uint64_t letters) {
    for (std::uint64_t left = letters; left; left &= left - 1) {
        Letter &letter = letters_[static_cast<std::size_t>(std::countr_zero(left))];
        letter = {.known = true, .word = std::move(letter.word), .begin = {0}};
    }
    for (Length &length : lengths_)
        for (std::uint64_t left = letters; left; left &= left - 1) learn(length, static_cast<std::size_t>(std::countr_zero(left)));
}

void NearLayouts::learn(Length &length, std::size_t l) {
    Letter &letter = letters_[l];
    const std::uint32_t begin = letter.begin.back(), n = length.counted ? 0 : length.entry_begin[l + 1] - length.entry_begin[l];
    letter.word.resize(std::max<std::size_t>(letter.word.size(), begin + n + 1));
    const Entry *entry = length.entry.data() + length.entry_begin[l];
    const std::uint32_t *code = length.code.data();
    const std::uint8_t *shared = length.shared.data();
    Poured *kept = letter.word.data() + begin;
    std::uint32_t *left = left_.data(), k = 0, hits = 0;
    // Those that share their code after the others, without branches but for these.
    for (std::uint32_t i = 0; i < n; ++i) {
        const auto [w, unit] = entry[i];
        kept[k] = {code[w], unit, w};
        left[i - k] = i;
        k += !shared[w];
    }
    double anywhere = 0.0;
    for (std::uint32_t i = 0, some = n - k; i < some; ++i) {
        const auto [w, unit] = entry[left[i]];
        if (length.tops[w] >> l & 1) {
            kept[k++] = {code[w], unit, w};
            hit_[++hits] = {code[w], w};
            continue;
        }
        std::uint32_t above = enough_ == 1;
        for (std::uint32_t v = length.above[w]; v && above < enough_; v = length.above[v - 1]) above += together(length, w, v - 1, l);
        anywhere += length.share[w] * factor_[above];
    }
    letter.begin.push_back(begin + k);
    letter.anywhere += anywhere;
    letter.now += anywhere + settled(length, {kept, k}, 0, {keys_.data(), std::uint64_t{1} << l, 0.0, 0.0}, hits);
}

bool NearLayouts::same(const Length &length, std::uint32_t a, std::uint32_t b, const std::uint8_t *keys) {
    const std::uint8_t *x = length.letter.data() + std::size_t{a} * length.width, *y = length.letter.data() + std::size_t{b} * length.width;
    return std::equal(x, x + length.width, y, [&](std::uint8_t one, std::uint8_t other) { return keys[one] == keys[other]; });
}

bool NearLayouts::together(const Length &length, std::uint32_t a, std::uint32_t b, std::size_t l) {
    const std::uint8_t *x = length.letter.data() + std::size_t{a} * length.width, *y = length.letter.data() + std::size_t{b} * length.width;
    return std::equal(x, x + length.width, y, [&](std::uint8_t one, std::uint8_t other) { return (one == l) == (other == l); });
}

double NearLayouts::added(Length &length, std::span<const Poured> words, std::uint32_t step, const Row &row) {
    const auto n = static_cast<std::uint32_t>(words.size());
    if (length.stamp >= kPlaced - 1 - n) {
        for (std::uint32_t &slot : length.slot) slot &= where(slot >= kPlaced);
        length.stamp = 0;
    }
    // Only a word whose new slot is another's may meet one: without branches, since where they meet cannot be predicted.
    const std::uint32_t stamp = length.stamp;
    const int shift = length.shift;
    std::uint32_t *slots = length.slot.data(), hits = 0;
    Hit *hit = hit_.data() + 1;
    for (std::uint32_t j = 0; j < n; ++j) {
        const std::uint32_t code = words[j].code + step * words[j].unit;
        std::uint32_t &slot = slots[code >> shift];
        const std::uint32_t other = slot;
        const bool met = other > stamp;
        slot = met ? other : stamp + j + 1;
        hit[hits] = {code, words[j].word};
        hits += met;
    }
    const double sum = settled(length, words, step, row, hits);
    length.stamp += n;
    return sum;
}

double NearLayouts::settled(Length &length, std::span<const Poured> words, std::uint32_t step, const Row &row, std::uint32_t hits) {
    const auto by = kind_ == AmbiguityCost::not_first ? &NearLayouts::settled_by<AmbiguityCost::not_first> : kind_ == AmbiguityCost::not_third ? &NearLayouts::settled_by<AmbiguityCost::not_third> : &NearLayouts::settled_by<AmbiguityCost::above>;
    return (this->*by)(length, words, step, row, hits);
}

template <AmbiguityCost kind> double NearLayouts::settled_by(Length &length, std::span<const Poured> words, std::uint32_t step, const Row &row, std::uint32_t hits) {
    if (stamp_ >= kMost - 1 - length.n) {
        std::ranges::fill(slot_, 0);
        stamp_ = 0;
    }
    const int length_shift = length.shift, shift = shift_to(slots_for(hits, kSlots));
    const std::uint32_t stamp = stamp_, length_stamp = length.stamp;
    constexpr std::uint32_t enough = enough_for(kind);
    const std::uint64_t moved = row.moved;
    const bool exact = length.exact, along = enough > 1 && std::has_single_bit(moved);
    const std::size_t l = static_cast<std::size_t>(std::countr_zero(moved));
    const Word *word = length.word.data();
    Hit *hit = hit_.data();
    double *share = share_.data();
    std::uint32_t *before = before_.data(), *slots = slot_.data(), *length_slots = length.slot.data(), *left = left_.data(), n_left = 0;
    const auto pour = [&](std::uint32_t i, std::uint32_t code, std::uint32_t w) {
        std::uint32_t &slot = slots[code >> shift];
        const std::uint32_t last = (slot - stamp) & where(slot > stamp);
        slot = stamp + i;
        hit[i] = {code, w};
        share[i] = word[w + 1].share;
        return before[i] = last;
    };
    // Without branches as well, those that meet no other after all go.
    for (std::uint32_t i = 1; i <= hits; ++i) {
        const auto [code, w] = hit[i];
        const std::uint32_t slot = length_slots[code >> length_shift], placed = slot >> 31;
        const Word &first = word[slot & ~kPlaced & where(placed)];
        const std::uint32_t last = pour(i, code, w);
        left[n_left] = i;
        n_left += (first.code == code) | (first.next != 0) | !placed | (last != 0) | (along & length.shared[w]);
    }
    const auto add = [&](std::uint32_t code, std::uint32_t w) {
        pour(++hits, code, w);
        left[n_left++] = hits;
    };
    double sum = 0.0;
    for (std::uint32_t k = 0; k < n_left; ++k) {
        const std::uint32_t i = left[k];
        const auto [code, w] = hit[i];
        // It costs the lower of two words a place. It costs the share of whichever leaves the first, or first three.
        const double own = share[i];
        double all = 0.0, first = 0.0, second = 0.0, third = 0.0;
        const auto meet = [&](double other) {
            if constexpr (kind == AmbiguityCost::above) all += std::min(own, other);
            if constexpr (kind == AmbiguityCost::not_third) {
                third = std::max(third, std::min(second, other));
                second = std::max(second, std::min(first, other));
            }
            first = std::max(first, other);
        };
        for (std::uint32_t v = before[i]; v; v = before[v])
            if (hit[v].code == code && (exact || same(length, hit[v].word, w, row.keys))) meet(share[v]);
        std::uint32_t &slot = length_slots[code >> length_shift];
        if (slot >= kPlaced) {
            std::uint32_t met = 0;
            for (std::uint32_t v = slot & ~kPlaced; v && met < enough; v = word[v].next)
                if ((word[v].code == code) & !(word[v].letters & moved) && (exact || same(length, v - 1, w, row.keys))) {
                    meet(word[v].share);
                    ++met;
                }
        } else if (slot > length_stamp) {
            // One that was poured in before, where no other was.
            const Poured &other = words[slot - length_stamp - 1];
            if (other.code + step * other.unit == code) {
                add(code, other.word);
                slot = length_stamp;
            }
        }
        sum += kind == AmbiguityCost::above ? all : std::min(own, enough == 1 ? first : third);
        if (!along || !length.shared[w] || !(length.tops[w] & moved)) continue;
        std::uint32_t above = 1;
        for (std::uint32_t v = word[w + 1].next; v && above < enough; v = word[v].next) {
            if (word[v].code != word[w + 1].code || !(word[v].letters & moved) || !together(length, w, v - 1, l) || !(exact || same(length, w, v - 1, keys_.data()))) continue;
            add(code, v - 1);
            sum -= word[v].share * factor_[above++];  // stands in `anywhere`
        }
    }
    stamp_ += hits;
    return sum;
}

void NearLayouts::bounds(const std::uint8_t *keys, std::size_t n, double most, double *out) {
    if (keys_.empty()) throw std::invalid_argument("no layout was set");
    rows_.clear();
    std::uint64_t unknown = 0;
    for (std::size_t r = 0; r < n; ++r, keys += letters_.size()) {
        Row row{keys, 0, now_, 0.0};
        for (std::size_t l = 0; l < letters_.size(); ++l) {
            if (keys[l] == keys_[l]) continue;
            if (keys[l] >= n_keys_) throw std::invalid_argument("a key outside the layout");
            row.moved |= std::uint64_t{1} << l;
            unknown |= std::uint64_t{!letters_[l].known} << l;
        }
        rows_.push_back(row);
    }
    learn(unknown);
    for (Row &row : rows_) {
        for (std::uint64_t left = row.moved; left; left &= left - 1) row.rest -= letters_[static_cast<std::size_t>(std::countr_zero(left))].now;
        if (std::has_single_bit(row.moved)) row.sum = letters_[static_cast<std::size_t>(std::countr_zero(row.moved))].anywhere;
    }
    // All layouts length by length, so that what is known of the words of one stays in the cache.
    for (std::size_t at = 0; at < lengths_.size(); ++at)
        for (Row &row : rows_)
            if (row.sum <= most - row.rest + kRounding) row.sum += cost(row, at);
    for (const Row &row : rows_) *out++ = row.sum > most - row.rest + kRounding ? std::numeric_limits<double>::infinity() : row.rest + row.sum;
}

double NearLayouts::cost(const Row &row, std::size_t at) {
    Length &length = lengths_[at];
    const auto step = [&](std::size_t l) { return std::uint32_t{row.keys[l]} - keys_[l]; };
    if (!length.counted && std::has_single_bit(row.moved)) {
        const auto l = static_cast<std::size_t>(std::countr_zero(row.moved));
        const Letter &letter = letters_[l];
        return added(length, {letter.word.data() + letter.begin[at], letter.begin[at + 1] - letter.begin[at]}, step(l), row);
    }
    std::ranges::copy(length.code, code_.begin());
    for (std::uint64_t left = row.moved; left; left &= left - 1) {
        const auto l = static_cast<std::size_t>(std::countr_zero(left));
        for (std::uint32_t i = length.entry_begin[l], by = step(l); i < length.entry_begin[l + 1]; ++i) code_[length.entry[i].word] += by * length.entry[i].unit;
    }
    if (length.counted) return kind_ == AmbiguityCost::above ? counted(length, code_.data(), many_) : counted(length, code_.data(), few_);
    // A word whose code stays has no moved letter (or, where a code is a hash, might be taken for such: the bound stands).
    std::uint32_t n = 0;
    for (std::uint32_t w = 0; w < length.n; ++w) {
        poured_[n] = {code_[w], 0, w};
        n += code_[w] != length.code[w];
    }
    return added(length, {poured_.data(), n}, 0, row);
}

}  // namespace nearkey
