#include "near_layouts.hpp"

#include <algorithm>
#include <bit>
#include <functional>
#include <stdexcept>

namespace nearkey {
namespace {

constexpr double kRounding = 1e-12;
constexpr std::size_t kSeenBits = 16, kSlots = 4;  // a word

unsigned shift_for(std::size_t size) { return 64u - static_cast<unsigned>(std::countr_zero(size)); }

double cost_of(const Ambiguity &found, AmbiguityCost kind, double total) {
    switch (kind) {
        case AmbiguityCost::not_first: return total - found.first;
        case AmbiguityCost::not_third: return total - found.third;
        default: return found.passed;
    }
}

}  // namespace

NearLayouts::NearLayouts(std::shared_ptr<const AmbiguityWords> words, int n_keys, AmbiguityCost cost)
    : words_(std::move(words)), n_keys_(n_keys), kind_(cost), own_(static_cast<std::size_t>(words_->n_letters()), -1.0) {
    const int n_letters = words_->n_letters();
    if (n_letters > 64) throw std::invalid_argument("at most 64 letters are supported");
    if (n_keys < 1 || n_keys > 255) throw std::invalid_argument("between 1 and 255 keys are supported");
    std::vector<double> mean;
    std::size_t most = 0;
    words_->each_length([&](int width, std::span<const double> share, const auto &letter) {
        // Place values; the last one times n_keys, the number of codes, has to fit as well.
        std::vector<std::uint64_t> value{1};
        for (int i = 0; i < width; ++i) {
            if (value.back() > std::numeric_limits<std::uint64_t>::max() / static_cast<std::uint64_t>(n_keys)) return;
            value.push_back(value.back() * static_cast<std::uint64_t>(n_keys));
        }
        longest_ = width;
        for (const double s : share) total_ += s;
        const std::size_t n = share.size();
        Length made;
        made.share.assign(share.begin(), share.end());
        made.code.assign(n, 0);
        made.letters.assign(n, 0);
        made.next.resize(n);
        made.shared.resize(n);
        made.bucket.resize(std::bit_ceil(std::max<std::size_t>(2 * n, 16)));
        made.bucket_shift = shift_for(made.bucket.size());
        const std::size_t bits = std::bit_ceil(std::max<std::size_t>(kSeenBits * n, 64));
        made.seen.resize(bits / 64);
        made.seen_shift = shift_for(bits);
        std::vector<std::vector<Entry>> entries(static_cast<std::size_t>(n_letters));
        std::vector<std::vector<std::uint64_t>> units(entries.size());
        std::vector<std::uint64_t> own(entries.size());
        for (std::uint32_t w = 0; w < n; ++w) {
            std::fill(own.begin(), own.end(), 0);
            for (int i = 0; i < width; ++i) own[letter(w, i)] += value[static_cast<std::size_t>(i)];
            for (std::size_t l = 0; l < own.size(); ++l) {
                if (!own[l]) continue;
                made.letters[w] |= std::uint64_t{1} << l;
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
        for (const double s : length.share) sum += s;
        return sum / static_cast<double>(length.share.size());
    });
    for (std::vector<std::uint32_t> *list : {&word_, &before_, &hit_}) list->resize(most + 1);
    code_.resize(most + 1);
    delta_.resize(most);
    slot_.assign(std::bit_ceil(std::max<std::size_t>(kSlots * most, 16)), 0);
}

void NearLayouts::set(const std::uint8_t *keys) {
    const std::size_t n = own_.size();
    if (std::any_of(keys, keys + n, [&](std::uint8_t key) { return key >= n_keys_; })) throw std::invalid_argument("a key outside the layout");
    if (std::equal(keys_.begin(), keys_.end(), keys, keys + n)) return;
    now_ = cost_of(words_->evaluate(keys, n_keys_, scratch_, longest_), kind_, total_);
    std::vector<std::uint8_t> old = keys_.empty() ? std::vector<std::uint8_t>(n, 0) : keys_;
    keys_.assign(keys, keys + n);
    std::fill(own_.begin(), own_.end(), -1.0);
    for (Length &length : lengths_) {
        for (std::size_t l = 0; l < n; ++l) {
            const std::uint64_t step = std::uint64_t{keys_[l]} - old[l];
            for (std::uint32_t i = length.entry_begin[l]; step && i < length.entry_begin[l + 1]; ++i) {
                const Entry &entry = length.entry[i];
                length.code[entry.word] += step * length.unit[length.unit_begin[l] + entry.unit];
            }
        }
        place(length);
    }
}

void NearLayouts::place(Length &length) {
    std::fill(length.bucket.begin(), length.bucket.end(), 0);
    std::fill(length.seen.begin(), length.seen.end(), 0);
    std::fill(length.shared.begin(), length.shared.end(), 0);
    for (auto w = static_cast<std::uint32_t>(length.code.size()); w-- > 0;) {
        const std::uint64_t hash = CodeTable::hash(length.code[w]), bit = hash >> length.seen_shift;
        std::uint32_t &first = length.bucket[hash >> length.bucket_shift];
        // The next word with this code, if any, is the last that came; it knows of those after it.
        std::uint32_t other = first;
        while (other && length.code[other - 1] != length.code[w]) other = length.next[other - 1];
        if (other) length.shared[w] = length.shared[other - 1] = 1;
        length.next[w] = first;
        first = w + 1;
        length.seen[bit >> 6] |= std::uint64_t{1} << (bit & 63);
    }
}

double NearLayouts::at_one(const Length &length, std::uint32_t j, std::uint64_t moved) const {
    const std::uint64_t code = code_[j];
    const double share = length.share[word_[j]];
    // Words above it that were poured in before it, then those that never left.
    std::uint32_t above = 0;
    const std::uint32_t enough = kind_ == AmbiguityCost::not_first ? 1 : kind_ == AmbiguityCost::not_third ? 3 : std::numeric_limits<std::uint32_t>::max();
    for (std::uint32_t i = before_[j]; i && above < enough; i = before_[i - 1]) above += code_[i - 1] == code;
    if (above == enough) return share;
    double cost = kind_ == AmbiguityCost::above ? share * above : 0.0;
    for (std::uint32_t w = length.bucket[CodeTable::hash(code) >> length.bucket_shift]; w; w = length.next[w - 1]) {
        if (length.code[w - 1] != code || length.letters[w - 1] & moved) continue;
        // It costs the lower of two words a place. It costs the share of whichever leaves the first three.
        const double lower = std::min(share, length.share[w - 1]);
        if (kind_ == AmbiguityCost::above)
            cost += lower;
        else if (++above == enough)
            return lower;
    }
    return cost;
}

double NearLayouts::added(std::uint64_t moved, const std::uint8_t *keys, double most) {
    double sum = 0.0;
    const bool one = std::has_single_bit(moved), stays = std::equal(keys_.begin(), keys_.end(), keys);
    for (const Length &length : lengths_) {
        // Words with a moved letter and their codes.
        std::uint32_t n = 0;
        if (!one) std::fill_n(delta_.begin(), length.code.size(), 0);
        for (std::uint64_t left = moved; left; left &= left - 1) {
            const auto l = static_cast<std::size_t>(std::countr_zero(left));
            const std::uint64_t step = std::uint64_t{keys[l]} - keys_[l], *unit = length.unit.data() + length.unit_begin[l];
            const Entry *entry = length.entry.data() + length.entry_begin[l];
            const std::uint32_t count = length.entry_begin[l + 1] - length.entry_begin[l];
            for (std::uint32_t i = 0; i < count; ++i) {
                const std::uint32_t w = entry[i].word;
                if (one) {
                    word_[i] = w;
                    code_[i] = length.code[w] + step * unit[entry[i].unit];
                } else {
                    delta_[w] += step * unit[entry[i].unit];
                }
            }
            n = count;
        }
        if (!one) {
            n = 0;
            for (std::uint32_t w = 0; w < length.code.size(); ++w) {
                word_[n] = w;
                code_[n] = length.code[w] + delta_[w];
                n += (length.letters[w] & moved) != 0;
            }
        }
        if (!n) continue;
        // Only words whose new code another word may have add anything: without branches, since half of them would be
        // mispredicted.
        if (stamp_ > std::numeric_limits<std::uint32_t>::max() - n) {
            std::fill(slot_.begin(), slot_.end(), 0);
            stamp_ = 0;
        }
        const std::uint32_t stamp = stamp_;
        const unsigned slot_shift = shift_for(std::bit_ceil(std::max<std::size_t>(kSlots * n, 16)));
        std::uint32_t hits = 0;
        for (std::uint32_t j = 0; j < n; ++j) {
            const std::uint64_t hash = CodeTable::hash(code_[j]), bit = hash >> length.seen_shift;
            std::uint32_t &slot = slot_[hash >> slot_shift];
            const std::uint32_t filled = slot > stamp;
            before_[j] = (slot - stamp) & (0u - filled);
            slot = stamp + j + 1;
            hit_[hits] = j;
            const auto met = static_cast<std::uint32_t>(length.seen[bit >> 6] >> (bit & 63) & 1) | filled;
            hits += stays ? length.shared[word_[j]] : met;
        }
        stamp_ += n;
        for (std::uint32_t i = 0; i < hits; ++i) sum += at_one(length, hit_[i], moved);
        if (sum > most) break;
    }
    return sum;
}

double NearLayouts::bound(const std::uint8_t *keys, double most) {
    if (keys_.empty()) throw std::invalid_argument("no layout was set");
    std::uint64_t moved = 0;
    double own = 0.0;
    for (std::size_t l = 0; l < own_.size(); ++l) {
        if (keys[l] == keys_[l]) continue;
        if (keys[l] >= n_keys_) throw std::invalid_argument("a key outside the layout");
        const std::uint64_t bit = std::uint64_t{1} << l;
        if (own_[l] < 0.0) own_[l] = added(bit, keys_.data(), std::numeric_limits<double>::infinity());
        own += own_[l];
        moved |= bit;
    }
    const double rest = now_ - own, allowed = most - rest + kRounding, sum = moved ? added(moved, keys, allowed) : 0.0;
    return sum > allowed ? std::numeric_limits<double>::infinity() : rest + sum;
}

}  // namespace nearkey
