"""A language pack as the decoder holds it."""

from __future__ import annotations

from dataclasses import dataclass

from nearkey.decode.protocols import (
    CaseTable,
    FlaggedVocabulary,
    LanguageModel,
    LanguagePack,
    MixedLanguageModel,
    PunctuationTable,
    SpellingModel,
    TableLanguageModel,
    Vocabulary,
    require_pack,
)
from nearkey.errors import DecodeError


@dataclass(frozen=True, slots=True)
class PackParts:
    """The parts of a pack; what it lacks is None. Packs that have but a lexicon and a language model are adapted here.

    table_model : the language model where the kernel reads its table. mixed_model : the language model where it
    mixes such a one with another. offensive : indices of the words to be shown only where they were touched letter by
    letter.
    """

    lexicon: Vocabulary
    language_model: LanguageModel
    table_model: TableLanguageModel | None
    mixed_model: MixedLanguageModel | None
    letter_model: SpellingModel | None
    truecase: CaseTable | None
    marks: PunctuationTable | None
    offensive: frozenset[int]

    @classmethod
    def of(cls, pack: LanguagePack, where: str) -> PackParts:
        """Raises DecodeError for what is no pack, where lexicon or language model lack a member, and for flags of words
        that the lexicon does not have."""
        require_pack(pack, where)
        model, lexicon = pack.language_model, pack.lexicon
        members = "start, advance, log_probs(state) over all words, log_unknown(state)"
        _require(isinstance(model, LanguageModel), where, "language_model", members)
        members = "words, log_probs, index(word), len, iteration, `in`"
        _require(isinstance(lexicon, Vocabulary), where, "lexicon", members)
        offensive = lexicon.offensive if isinstance(lexicon, FlaggedVocabulary) else frozenset()
        if offensive and not 0 <= min(offensive) <= max(offensive) < len(lexicon):
            raise DecodeError(
                "names a place that has no word",
                where=where,
                field="pack.lexicon.offensive",
                fix=f"give numbers from 0 to {len(lexicon) - 1}",
            )
        return cls(
            lexicon,
            model,
            model if isinstance(model, TableLanguageModel) else None,
            model if isinstance(model, MixedLanguageModel) else None,
            getattr(pack, "letter_model", None),
            getattr(pack, "truecase", None),
            getattr(pack, "marks", None),
            offensive,
        )

    @property
    def ngram_model(self) -> TableLanguageModel | None:
        """The model of an n-gram table: the language model, or what it mixes; None where there is none."""
        return self.table_model if self.mixed_model is None else self.mixed_model.ngram


def _require(complete: bool, where: str, part: str, members: str) -> None:
    if not complete:
        raise DecodeError(
            "is not complete", where=where, field=f"pack.{part}", fix=f"give it {members}"
        )
