"""A pack that offers words as its lexicon has them, for studies whose phrases are in lower case."""

from __future__ import annotations

from typing import Any

from nearkey.decode import LanguagePack


class UncasedPack:
    """The parts of a `pack` but for its case table.

    Phrases of studies are shown without capitals and marks; a capital at the start of each would count as an
    error nobody
    made.
    """

    truecase = None

    def __init__(self, pack: LanguagePack) -> None:
        self.lexicon = pack.lexicon
        self.language_model = pack.language_model
        self.letter_model: Any = getattr(pack, "letter_model", None)
        self.marks: Any = getattr(pack, "marks", None)
