"""What the benchmark measures: scenarios with ids that never change their meaning.

An id reads LANGUAGE.LAYOUT.TOUCHES.TEXT, so "en.q26.s10.mail" types the e-mail and web text on 26 keys with
a spread of 1.0 mm. A scenario whose content must change gets a new id, and the old one goes.

The surface is an invented one: a pad of 24 x 12 mm on the barrel of a surveyor's stylus. Nobody has typed
on it; touches are drawn around key centres, the same spread in millimetres for every layout. The replayed
touches ("thumb") are real ones, of thumbs on a phone, and say nothing about such a pad.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from itertools import product

from nearkey.layout import Layout, grid_layouts

WORDS = 3000
COMPARE_WORDS = 300
SEED = 20
PAD_MM = (24.0, 12.0)
PHONE_KEYS_MM = 24.0
"""Height of the strip at the bottom of the phone on which thumbs are replayed; it is as wide as the screen."""

SPREADS_MM = {"s06": 0.6, "s10": 1.0, "s14": 1.4, "s18": 1.8}

LAYOUTS = {
    "q26": "26 keys in the order of English typewriters",
    "g2x5": "grid of 2 x 5 over it (number 62 of the strict grids)",
    "e161": "8 keys with the letters of ITU-T E.161",
    "g2x3": "grid of 2 x 3 (number 31)",
    "g1x5": "grid of 1 x 5 (number 2)",
}
_GRIDS = {
    "g2x5": (2, 5, "qwerty-2x5-s062"),
    "g2x3": (2, 3, "qwerty-2x3-s31"),
    "g1x5": (1, 5, "qwerty-1x5-s02"),
}


@dataclass(frozen=True, slots=True)
class TextSpec:
    """Text to type. `file` is looked for in the data folder; "" draws words from the pack.

    held_out : take the part that the pack's recipe holds out (per mille); 0 takes all, which the pack has
    not seen. licence, attribution : of the text.
    """

    register: str
    file: str = ""
    attribution: str = ""
    held_out: int = 30


TEXTS: dict[str, dict[str, TextSpec]] = {
    language: {
        "drawn": TextSpec("words drawn from the pack, no context"),
        "voice": TextSpec(
            "short sentences", f"{language}_common_voice", "Mozilla Common Voice sentences, CC0"
        ),
    }
    for language in ("en", "de", "fr", "es")
}
TEXTS["en"] = {
    "drawn": TEXTS["en"]["drawn"],
    "mail": TextSpec(
        "e-mail, blogs, reviews, answers",
        "en_ewt_eval",
        "Universal Dependencies English EWT, CC BY-SA 4.0",
        held_out=0,
    ),
    "voice": TEXTS["en"]["voice"],
    "chat": TextSpec(
        "live chat", "en_irc", "IRC disentanglement data, Kummerfeld et al., ACL 2019, CC BY 4.0"
    ),
    "task": TextSpec(
        "task dialogue", "en_sgd", "Schema-Guided Dialogue, Rastogi et al., AAAI 2020, CC BY-SA 4.0"
    ),
    "review": TextSpec(
        "film reviews", "en_movie_reviews", "Movie reviews, Pang & Lee, ACL 2004, CC BY 4.0"
    ),
}


@dataclass(frozen=True, slots=True)
class Scenario:
    """One line of the benchmark. touches : a key of SPREADS_MM, or "thumb". live : score the live list."""

    language: str
    layout: str
    touches: str
    text: str
    live: bool = False

    @property
    def id(self) -> str:
        parts = [self.language, self.layout, self.touches, self.text]
        return ".".join(parts + (["live"] if self.live else []))

    @property
    def spec(self) -> TextSpec:
        return TEXTS[self.language][self.text]


def scenarios(which: str) -> list[Scenario]:
    """The quick set, or the full one, which holds it."""
    quick = _each(LAYOUTS, ["s10"], ["mail"])
    quick += _each(("q26", "g2x3"), SPREADS_MM, ["mail"])
    quick += _each(("q26", "g2x3"), ["s10"], TEXTS["en"])
    quick += _special(("q26", "e161"))
    full = [
        scenario for text in TEXTS["en"] for scenario in _each(LAYOUTS, SPREADS_MM, [text])
    ] + _special(LAYOUTS)
    for language in ("de", "fr", "es"):
        full += _each(("q26", "e161", "g2x3"), ["s10"], TEXTS[language], language)
    return list(dict.fromkeys(quick if which == "quick" else quick + full))


def _each(
    layouts: Iterable[str], touches: Iterable[str], texts: Iterable[str], language: str = "en"
) -> list[Scenario]:
    return [Scenario(language, *parts) for parts in product(layouts, touches, texts)]


def _special(layouts: Iterable[str]) -> list[Scenario]:
    """The live list, and recorded touches."""
    live = [Scenario("en", layout, "s10", "mail", live=True) for layout in layouts]
    return live + _each(layouts, ["thumb"], ["mail"])


@cache
def layout_of(name: str, width_mm: float, height_mm: float) -> Layout:
    """A scenario's layout on a surface."""
    if name in _GRIDS:
        rows, columns, grid = _GRIDS[name]
        found = grid_layouts(Layout.named("qwerty"), rows=rows, columns=columns)
        return next(g for g in found if g.name == grid).fitted(width_mm, height_mm)
    return Layout.named({"q26": "qwerty"}.get(name, name)).fitted(width_mm, height_mm)
