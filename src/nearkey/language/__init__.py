"""Room: language. Words, letters and their probabilities, in packs that load from disk.

Loading needs numpy, marisa-trie and msgspec alone; `nearkey.packs` makes packs.
"""

from __future__ import annotations

from nearkey.language.info import PackInfo
from nearkey.language.kenlm_model import KenlmModel
from nearkey.language.lexicon import Lexicon, PunctuationModel, Truecase
from nearkey.language.models import LetterModel, WordModel
from nearkey.language.pack import Pack, find_pack, installed_packs, load_pack

__all__ = [
    "KenlmModel",
    "LetterModel",
    "Lexicon",
    "Pack",
    "PackInfo",
    "PunctuationModel",
    "Truecase",
    "WordModel",
    "find_pack",
    "installed_packs",
    "load_pack",
]
