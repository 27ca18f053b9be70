"""What a store knows, as plain data a person can read."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from nearkey.personal.counts import Counts

__all__ = ["exported"]


def exported(
    counts: Counts,
    *,
    form: Callable[[str], str],
    is_new: Callable[[str], bool],
    is_offered: Callable[[str], bool],
) -> dict[str, Any]:
    """Words and phrases, most used first.

    form : how a word is written. is_new, is_offered : about a word as it is counted.
    """
    unit = counts.unit(counts.clock)
    words: list[dict[str, Any]] = [
        {
            "word": form(word),
            "uses": round(counts.words.get(word, 0) / unit, 3),
            "confirmed": counts.times.get(word, 0),
            "new": is_new(word),
            "added": word in counts.pinned,
            "offered": is_offered(word),
        }
        for word in counts.words.keys() | counts.pinned.keys()
    ]
    phrases: list[dict[str, Any]] = [
        {"phrase": " ".join((*context, word)), "uses": round(count / unit, 3)}
        for context, followers in counts.phrases.items()
        for word, count in followers.items()
    ]
    words.sort(key=lambda row: (-row["uses"], row["word"]))
    phrases.sort(key=lambda row: (-row["uses"], row["phrase"]))
    return {"words_typed": counts.clock, "words": words, "phrases": phrases}
