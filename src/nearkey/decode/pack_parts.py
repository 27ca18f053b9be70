"""A language pack as the decoder holds it."""

from __future__ import annotations

from dataclasses import dataclass

from nearkey.decode.protocols import (
    CaseTable,
    FlaggedVocabulary,
    LanguageModel,
    LanguagePack,
    PunctuationTable,
    SpellingModel,
    TableLanguageModel,
    Vocabulary,
    require_pack,
)

__all__ = ["PackParts"]


@dataclass(frozen=True, slots=True)
class PackParts:
    """The parts of a pack; what it lacks is None. Packs that have but a lexicon and a language model are adapted here.

    table_model : the language model where the kernel reads its table. offensive : indices of the words to be shown
    only where they were touched letter by letter.
    """

    lexicon: Vocabulary
    language_model: LanguageModel
    table_model: TableLanguageModel | None
    letter_model: SpellingModel | None
    truecase: CaseTable | None
    marks: PunctuationTable | None
    offensive: frozenset[int]

    @classmethod
    def of(cls, pack: LanguagePack, where: str) -> PackParts:
        """Raises DecodeError for what is no pack."""
        require_pack(pack, where)
        model, lexicon = pack.language_model, pack.lexicon
        return cls(
            lexicon,
            model,
            model if isinstance(model, TableLanguageModel) else None,
            getattr(pack, "letter_model", None),
            getattr(pack, "truecase", None),
            getattr(pack, "marks", None),
            lexicon.offensive if isinstance(lexicon, FlaggedVocabulary) else frozenset(),
        )
