#include "near_layouts.hpp"

#include <algorithm>
#include <bit>
#include <functional>
#include <stdexcept>

namespace nearkey {
namespace {

constexpr double kRounding = 1e-12;
constexpr std::size_t kSeenBits = 16, kSlots = 4, kBuckets = 4;  // a word
constexpr std::uint32_t kMost = std::numeric_limits<std::uint32_t>::max();

// Of a code, the bits that tables are addressed by: they hang on most places of the key sequence.
std::uint32_t upper(std::uint64_t code) { return static_cast<std::uint32_t>(code >> 40); }
bool is_seen(const std::uint64_t *seen, std::uint32_t mask, std::uint64_t code) { return seen[upper(code) >> 6 & mask] >> (upper(code) & 63) & 1; }

}  // namespace

NearLayouts::NearLayouts(std::shared_ptr<const AmbiguityWords> words, int n_keys, AmbiguityCost cost)
    : words_(std::move(words)), n_keys_(n_keys), kind_(cost), enough_(cost == AmbiguityCost::not_first ? 1 : cost == AmbiguityCost::not_third ? 3 : kMost), letters_(static_cast<std::size_t>(words_->n_letters())) {
    const int n_letters = words_->n_letters();
    if (n_letters > 64) throw std::invalid_argument("at most 64 letters are supported");
    if (n_keys < 1 || n_keys > 255) throw std::invalid_argument("between 1 and 255 keys are supported");
    std::size_t most = 0;
    words_->each_length([&](int width, std::span<const double> share, const auto &letter) {
        // Place values; the last one times n_keys, the number of codes, has to fit as well.
        std::vector<std::uint64_t> value{1};
        for (int i = 0; i < width; ++i) {
            if (value.back() > std::numeric_limits<std::uint64_t>::max() / static_cast<std::uint64_t>(n_keys)) return;
            value.push_back(value.back() * static_cast<std::uint64_t>(n_keys));
        }
        const std::size_t n = share.size();
        Length made;
        made.word.resize(n + 1);
        made.word[0].letters = std::numeric_limits<std::uint64_t>::max();  // stands for none
        made.code.assign(n, 0);
        made.shared.resize(n);
        made.above.resize(n);
        made.bucket.resize(std::bit_ceil(std::max<std::size_t>(kBuckets * n, 16)));
        made.bucket_mask = static_cast<std::uint32_t>(made.bucket.size() - 1);
        made.seen.resize(std::bit_ceil(std::max<std::size_t>(kSeenBits * n / 64, 1)));
        made.seen_mask = static_cast<std::uint32_t>(made.seen.size() - 1);
        std::vector<std::vector<Entry>> entries(static_cast<std::size_t>(n_letters));
        std::vector<std::vector<std::uint64_t>> units(entries.size());
        std::vector<std::uint64_t> own(entries.size());
        for (std::uint32_t w = 0; w < n; ++w) {
            made.word[w + 1].share = share[w];
            std::fill(own.begin(), own.end(), 0);
            for (int i = 0; i < width; ++i) own[letter(w, i)] += Repeats::hash(value[static_cast<std::size_t>(i)]);
            for (std::size_t l = 0; l < own.size(); ++l) {
                if (!own[l]) continue;
                made.word[w + 1].letters |= std::uint64_t{1} << l;
                const auto at = std::ranges::find(units[l], own[l]);
                entries[l].push_back({w, static_cast<std::uint32_t>(at - units[l].begin())});
                if (at == units[l].end()) units[l].push_back(own[l]);
            }
        }
        for (std::size_t l = 0; l < own.size(); ++l) {
            made.entry_begin.push_back(static_cast<std::uint32_t>(made.entry.size()));
            made.unit_begin.push_back(static_cast<std::uint32_t>(made.unit.size()));
            made.entry.insert(made.entry.end(), entries[l].begin(), entries[l].end());
            made.unit.insert(made.unit.end(), units[l].begin(), units[l].end());
        }
        made.entry_begin.push_back(static_cast<std::uint32_t>(made.entry.size()));
        made.unit_begin.push_back(static_cast<std::uint32_t>(made.unit.size()));
        most = std::max(most, n);
        lengths_.push_back(std::move(made));
    });
    std::ranges::stable_sort(lengths_, std::greater{}, [](const Length &length) {
        double sum = 0.0;
        for (const Word &word : length.word) sum += word.share;
        return sum / static_cast<double>(length.code.size());
    });
    for (std::vector<std::uint32_t> *list : {&before_, &hit_}) list->resize(most + 2);
    poured_.resize(most + 1);
    delta_.resize(most);
    added_.resize(most);
    code_.resize(most);
    slot_.assign(std::bit_ceil(std::max<std::size_t>(kSlots * most, 16)), 0);
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
            const std::uint64_t step = std::uint64_t{keys_[l]} - old[l], *unit = length.unit.data() + length.unit_begin[l];
            for (std::uint32_t i = length.entry_begin[l]; step && i < length.entry_begin[l + 1]; ++i) length.code[length.entry[i].word] += step * unit[length.entry[i].unit];
        }
        now_ += place(length);
    }
}

double NearLayouts::place(Length &length) {
    std::ranges::fill(length.bucket, 0);
    std::ranges::fill(length.seen, 0);
    std::ranges::fill(length.shared, 0);
    std::ranges::fill(length.above, 0);
    const auto n = static_cast<std::uint32_t>(length.code.size());
    std::uint32_t met = 0;
    for (std::uint32_t w = n; w-- > 0;) {
        const std::uint64_t code = length.code[w];
        std::uint32_t &first = length.bucket[upper(code) & length.bucket_mask];
        Word &word = length.word[w + 1];
        word.code = code;
        word.next = first;
        hit_[met] = w;
        met += first != 0;
        first = w + 1;
        length.seen[upper(code) >> 6 & length.seen_mask] |= std::uint64_t{1} << (upper(code) & 63);
    }
    for (std::uint32_t i = 0; i < met; ++i) {
        const std::uint32_t w = hit_[i];
        std::uint32_t other = length.word[w + 1].next;
        while (other && length.code[other - 1] != length.code[w]) other = length.word[other].next;
        if (!other) continue;
        length.shared[w] = length.shared[other - 1] = 1;
        length.above[other - 1] = w + 1;
    }
    double cost = 0.0;
    for (std::uint32_t w = 0; w < n; ++w) {
        const std::uint32_t other = length.above[w], above = before_[w] = other ? before_[other - 1] + 1 : 0;
        if (above) cost += length.word[w + 1].share * (kind_ == AmbiguityCost::above ? above : above >= enough_);
    }
    return cost;
}

void NearLayouts::learn(std::uint64_t letters) {
    for (std::uint64_t left = letters; left; left &= left - 1) {
        Letter &letter = letters_[static_cast<std::size_t>(std::countr_zero(left))];
        letter = {.known = true, .entry = std::move(letter.entry), .begin = {0}};
    }
    for (const Length &length : lengths_)
        for (std::uint64_t left = letters; left; left &= left - 1) learn(length, static_cast<std::size_t>(std::countr_zero(left)));
}

void NearLayouts::learn(const Length &length, std::size_t l) {
    Letter &letter = letters_[l];
    const std::uint64_t bit = std::uint64_t{1} << l;
    const Entry *entry = length.entry.data() + length.entry_begin[l];
    const std::uint32_t n = length.entry_begin[l + 1] - length.entry_begin[l];
    letter.entry.resize(std::max<std::size_t>(letter.entry.size(), letter.begin.back() + n + 1));
    // Those with another above them first, to see whether they stay below it; without branches but for these.
    std::uint32_t *stays = before_.data(), some = 0;
    for (std::uint32_t i = 0; i < n; ++i) {
        delta_[entry[i].word] = entry[i].unit;
        stays[i] = 0;
        hit_[some] = i;
        some += length.above[entry[i].word] != 0;
    }
    double anywhere = 0.0;
    for (std::uint32_t at = 0; at < some; ++at) {
        const Entry &own = entry[hit_[at]];
        std::uint32_t mates = 0;
        for (std::uint32_t w = length.above[own.word]; w && mates < enough_; w = length.above[w - 1]) mates += ((length.word[w].letters & bit) != 0) & (delta_[w - 1] == own.unit);
        stays[hit_[at]] = mates == enough_;
        anywhere += mates == enough_ ? length.word[own.word + 1].share : 0.0;
    }
    letter.anywhere += anywhere;
    Entry *kept = letter.entry.data() + letter.begin.back(), *poured = poured_.data();
    for (std::uint32_t i = 0; i < n; ++i) {
        const std::uint32_t goes = stays[i] == 0;
        *kept = *poured = entry[i];
        kept += goes;
        poured += length.shared[entry[i].word] & goes;
    }
    letter.begin.push_back(static_cast<std::uint32_t>(kept - letter.entry.data()));
    letter.now += anywhere + added(length, {poured_.data(), poured}, bit, [code = length.code.data()](const Entry &one) { return code[one.word]; });
}

double NearLayouts::at_one(const Length &length, std::uint32_t j, std::uint32_t word, std::uint64_t moved, std::uint32_t stamp) const {
    const std::uint64_t code = code_[j];
    const double share = length.word[word + 1].share;
    // Words above it that were poured in before it, then those that never left.
    std::uint32_t above = 0;
    for (std::uint32_t i = before_[j]; i > stamp && above < enough_; i = before_[i - stamp - 1]) above += code_[i - stamp - 1] == code;
    if (above == enough_) return share;
    double cost = kind_ == AmbiguityCost::above ? share * above : 0.0;
    for (std::uint32_t w = length.bucket[upper(code) & length.bucket_mask]; w;) {
        const Word &other = length.word[w];
        w = other.next;
        if (other.code != code || other.letters & moved) continue;
        // It costs the lower of two words a place. It costs the share of whichever leaves the first three.
        const double lower = std::min(share, other.share);
        if (kind_ == AmbiguityCost::above)
            cost += lower;
        else if (++above == enough_)
            return lower;
    }
    return cost;
}

template <typename Code> double NearLayouts::added(const Length &length, std::span<const Entry> words, std::uint64_t moved, const Code &code_of) {
    const auto n = static_cast<std::uint32_t>(words.size());
    if (stamp_ > kMost - n) {
        std::ranges::fill(slot_, 0);
        stamp_ = 0;
    }
    // Only words whose new code another word may have add anything: without branches, since half of them would be
    // mispredicted.
    const std::uint32_t stamp = stamp_, slot_mask = static_cast<std::uint32_t>(std::bit_ceil(std::max<std::size_t>(kSlots * n, 16)) - 1);
    const std::uint32_t seen_mask = length.seen_mask;
    const std::uint64_t *seen = length.seen.data();
    std::uint64_t *codes = code_.data();
    std::uint32_t *slots = slot_.data(), *before = before_.data(), *hit = hit_.data(), hits = 0;
    for (std::uint32_t j = 0; j < n; ++j) {
        const std::uint64_t code = codes[j] = code_of(words[j]);
        std::uint32_t &slot = slots[upper(code) & slot_mask];
        const std::uint32_t last = slot;
        before[j] = last;
        slot = stamp + j + 1;
        hit[hits] = j;
        hits += is_seen(seen, seen_mask, code) | (last > stamp);
    }
    stamp_ += n;
    // Most of them have at most one other before them and one at hand with their hash: without branches as well.
    double sum = 0.0;
    std::uint32_t left = 0;
    const bool first = enough_ == 1;
    for (std::uint32_t i = 0; i < hits; ++i) {
        const std::uint32_t j = hit[i], poured = before[j] > stamp, last = (before[j] - stamp - 1) & (0u - poured);
        const std::uint64_t code = codes[j];
        const Word &word = length.word[length.bucket[upper(code) & length.bucket_mask]];
        // Not in order: of the words before, the last is looked at; of those at hand, the first.
        const unsigned after = poured & (codes[last] == code), deeper = poured & (before[last] > stamp);
        const unsigned with = (word.code == code) & !(word.letters & moved), longer = word.next != 0;
        const unsigned plain = first ? after | ((with | !longer) & !deeper) : !(after | with | deeper | longer);
        const double share = length.word[words[j].word + 1].share;
        sum += share * (plain & after) + std::min(share, word.share) * (plain & with & ~after);
        hit[left] = j;
        left += !plain;
    }
    for (std::uint32_t i = 0; i < left; ++i) sum += at_one(length, hit[i], words[hit[i]].word, moved, stamp);
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
            if (row.moved && row.sum <= most - row.rest + kRounding) row.sum += poured(row, at);
    for (const Row &row : rows_) *out++ = row.sum > most - row.rest + kRounding ? std::numeric_limits<double>::infinity() : row.rest + row.sum;
}

double NearLayouts::poured(const Row &row, std::size_t at) {
    const Length &length = lengths_[at];
    const auto step = [&](std::size_t l) { return std::uint64_t{row.keys[l]} - keys_[l]; };
    const auto unit = [&](std::size_t l) { return length.unit.data() + length.unit_begin[l]; };
    if (std::has_single_bit(row.moved)) {
        const auto l = static_cast<std::size_t>(std::countr_zero(row.moved));
        const Letter &letter = letters_[l];
        for (std::uint32_t i = 0; i < length.unit_begin[l + 1] - length.unit_begin[l]; ++i) added_[i] = step(l) * unit(l)[i];
        return added(length, {letter.entry.data() + letter.begin[at], letter.begin[at + 1] - letter.begin[at]}, row.moved,
                     [code = length.code.data(), added = added_.data()](const Entry &one) { return code[one.word] + added[one.unit]; });
    }
    // A moved letter always changes the code, so that a word whose code stays has none.
    const auto words = static_cast<std::uint32_t>(length.code.size());
    std::fill_n(delta_.begin(), words, 0);
    for (std::uint64_t left = row.moved; left; left &= left - 1) {
        const auto l = static_cast<std::size_t>(std::countr_zero(left));
        for (std::uint32_t i = length.entry_begin[l]; i < length.entry_begin[l + 1]; ++i) delta_[length.entry[i].word] += step(l) * unit(l)[length.entry[i].unit];
    }
    std::uint32_t n = 0;
    for (std::uint32_t w = 0; w < words; ++w) {
        poured_[n].word = w;
        n += delta_[w] != 0;
    }
    return added(length, {poured_.data(), n}, row.moved, [&](const Entry &one) { return length.code[one.word] + delta_[one.word]; });
}

}  // namespace nearkey
