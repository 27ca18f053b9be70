"""From running text to words: one set of rules for building a pack and for reading a context.

The rules, in order, for one line of text:

1. Unicode NFC; typographic apostrophes and hyphens become ``'`` and ``-``. Where combining marks belong to
   words (`joins_marks`), so do the full stops, commas and question marks of other scripts become ``.``,
   ``,`` and ``?``, and a zero-width space parts words.
2. Chunks between white space. A chunk with a digit, and an address, a path, a dotted abbreviation or
   anything else that is not spelled with letters alone, is one `NUMBER` token.
3. Words are runs of letters, in alphabets that need them with their combining marks, joined by inner
   apostrophes (``don't``) and inner hyphens (``e-mail``). A hyphenated word that is not in the lexicon is
   read as its parts, and an elided one (``l'homme``) as two words in languages whose recipe says so.
4. Of the punctuation, only the first of ``, . ? ! ; :`` after a word is kept, as its *mark*. Marks
   are not part of the word stream, so that a typist who types no commas has the same contexts as the
   text had.
5. ``. ? !`` before white space end a sentence, except after a known abbreviation, an initial, or as
   part of an ellipsis.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from nearkey.letter_case import lower

SPECIAL_TOKENS = ("<unk>", "<s>", "</s>", "<num>")
UNK, BOS, EOS, NUM = range(4)
FIRST_WORD = len(SPECIAL_TOKENS)

NUMBER = "<num>"
PUNCTUATION = ("", ",", ".", "?", "!", ";", ":")
_CODE = {mark: code for code, mark in enumerate(PUNCTUATION)}
NO_PUNCTUATION_SEEN = 255
"""Mark code of a word that ends a line without punctuation: no evidence either way."""

_UNIFY = str.maketrans(
    {
        "\u2018": "'", "\u2019": "'", "\u02bc": "'", "\u02bb": "'", "\u00b4": "'", "`": "'",
        "\u2032": "'", "\uff07": "'", "\u2010": "-", "\u2011": "-", "\u2012": "-", "\u00ad": None,
        "\u2013": " \u2013 ", "\u2014": " \u2013 ", "\u2026": "... ", "\u037e": "?", "\ufeff": None,
        "\u200b": None,
    }
)  # fmt: skip
_UNIFY_SCRIPTS = _UNIFY | str.maketrans(
    {
        "\u200b": " ", "\u0964": ".", "\u0965": ".", "\u06d4": ".", "\u1362": ".", "\u0589": ".",
        "\u061f": "?", "\u060c": ",", "\u061b": ";", "\u0640": None, "\u05be": "-", "\u05f3": "'",
        "\u1361": " ", "\u1363": ",", "\u1364": ";", "\u1365": ":", "\u1367": "?", "\u055d": ",", "\u05c3": ".",
        "\u055b": None, "\u055c": None, "\u055e": None,
    }
)  # fmt: skip
"""`_UNIFY` and the marks of Indic, Arabic, Ethiopic, Armenian and Hebrew writing; the zero-width space parts
the words of scripts that are written without spaces, the Ethiopic word space those of its own. Armenian marks of
stress, exclamation and question stand over a letter inside the word: they are left out."""
_JOINERS = "\u200c\u200d"
"""They shape the letters around them, are part of a word's written form, and need no touch."""
_LETTERS = r"[^\W\d_]+"


def _word_patterns(letters: str) -> tuple[re.Pattern[str], re.Pattern[str]]:
    """(a chunk that is one word, the pieces of any other chunk) for words of such runs of letters."""
    word = rf"{letters}(?:['-]{letters})*"
    return re.compile(word), re.compile(rf"({word})|(\.\.+)|([,.?!;:])|([/\u2013])|(\S)")


_WORD, _PIECE = _word_patterns(_LETTERS)


@cache
def _joining_patterns() -> tuple[re.Pattern[str], re.Pattern[str]]:
    """As `_word_patterns`, for letters with their combining marks and joiners."""
    # Variation selectors, above these, choose pictures rather than spell.
    every = (chr(code) for code in range(0x300, 0x1F000) if not 0xFE00 <= code <= 0xFE0F)
    marks = "".join(char for char in every if unicodedata.category(char) in ("Mn", "Mc"))
    return _word_patterns(rf"(?:[^\W\d_][{re.escape(marks)}{_JOINERS}]*)+")


_NOT_SPELLED = re.compile(
    r"""\d | :// | ^www\. | \S@\S | _ | ^[~\\/.<]\S*[\\/] | /.*/ | \\ | [=<>{}|^$%&*+#]
    | ^["'(\[]*(?:[^\W\d_]\.){2,} | [^\W\d_]\.[a-z]""",
    re.VERBOSE,
)
_TRAILING = re.compile(r"[\"')\]]*([,.?!;:]?)[\"')\]]*$")
ABBREVIATIONS = frozenset(
    ("mr", "mrs", "ms", "dr", "prof", "st", "sr", "jr", "vs", "etc", "inc", "ltd", "co", "corp")
)
"""English words after which a full stop does not end the sentence."""
_SENTENCE_MARKS = frozenset(".?!")


@dataclass(frozen=True, slots=True)
class TokenSentence:
    """One sentence: its words in their own case, and the code of the mark after each of them."""

    words: list[str]
    punctuation: list[int]


def is_letter(char: str) -> bool:
    """Whether a character can be of an alphabet: a letter, or a mark that combines with one."""
    return char.isalpha() or unicodedata.category(char) in ("Mn", "Mc")


def joins_marks(alphabet: str) -> bool:
    """Whether combining marks belong to the words of this alphabet: it holds some, or is not Latin.

    In Latin alphabets without them, accented letters are characters of their own.
    """
    return "a" not in alphabet or not alphabet.isalpha()


def sentences(
    lines: Iterable[str],
    *,
    abbreviations: frozenset[str] = ABBREVIATIONS,
    combining: bool = False,
) -> Iterator[TokenSentence]:
    """Split lines into sentences of words; a sentence never runs over a line's end.

    abbreviations : words, lower case, after which a full stop ends no sentence.
    combining : whether combining marks belong to words, as `joins_marks` says of the alphabet.
    """
    rules = (_UNIFY_SCRIPTS, *_joining_patterns()) if combining else (_UNIFY, _WORD, _PIECE)
    for line in lines:
        yield from _split_line(line, abbreviations, *rules)


def _split_line(
    line: str,
    abbreviations: frozenset[str],
    unify: Mapping[int, str | int | None],
    whole_word: re.Pattern[str],
    piece: re.Pattern[str],
) -> Iterator[TokenSentence]:
    if not line.isascii():
        line = unicodedata.normalize("NFC", line)
    words: list[str] = []
    punctuation: list[int] = []
    for chunk in line.translate(unify).split():
        if chunk.isalpha() or whole_word.fullmatch(chunk):
            words.append(chunk)
            punctuation.append(0)
            continue
        ends = False
        if _NOT_SPELLED.search(chunk) and any(map(str.isalnum, chunk)):
            words.append(NUMBER)
            trailing = _TRAILING.search(chunk)
            mark = trailing.group(1) if trailing else ""
            punctuation.append(_CODE[mark])
            ends = mark in _SENTENCE_MARKS and bool(mark) and not chunk[0].isalpha()
        else:
            for word, ellipsis, mark, _, _ in piece.findall(chunk):
                if word:
                    if ends and words:  # "end.Next": the space was forgotten
                        yield TokenSentence(words, punctuation)
                        words, punctuation = [], []
                    words.append(word)
                    punctuation.append(0)
                    ends = False
                elif words and not punctuation[-1]:
                    if ellipsis:
                        punctuation[-1] = _CODE["."]
                    elif mark:
                        punctuation[-1] = _CODE[mark]
                        last = words[-1].lower()
                        ends = mark in _SENTENCE_MARKS and not (
                            mark == "." and (len(last) == 1 or last in abbreviations)
                        )
        if ends and words:
            yield TokenSentence(words, punctuation)
            words, punctuation = [], []
    if words:
        if not punctuation[-1]:
            punctuation[-1] = NO_PUNCTUATION_SEEN
        yield TokenSentence(words, punctuation)


Normalise = Callable[[str], str]
"""How a lexicon spells a word: `normalise_word`, with the settings of a recipe or a pack."""


def fold_accents(text: str) -> str:
    """Drop combining marks: ``café`` becomes ``cafe``."""
    if text.isascii():
        return text
    decomposed = unicodedata.normalize("NFD", text)
    return unicodedata.normalize(
        "NFC", "".join(char for char in decomposed if not unicodedata.combining(char))
    )


def normalise_word(word: str, *, fold: bool = False, language: str = "") -> str:
    """A word as the lexicon spells it: NFC, one kind of apostrophe, lower case, accents folded if asked.

    fold : whether accents are dropped. language : its tag, whose rules of lower case hold.
    """
    text = word
    if not word.isascii():
        text = unicodedata.normalize("NFC", word)
        if _JOINERS[0] in text or _JOINERS[1] in text:
            text = text.replace(_JOINERS[0], "").replace(_JOINERS[1], "")
    text = lower(text.translate(_UNIFY).strip(), language)
    return fold_accents(text) if fold else text


def token_ids(word: str, lookup: Callable[[str], int], elisions: Sequence[str] = ()) -> list[int]:
    """Token ids of a normalised word: its own, or those of the parts it is read as.

    A word that `lookup` calls `UNK` is read as its parts between hyphens, and such a part as an elided
    word and the rest (``l'`` and ``homme``), where `elisions` has it.
    """
    token = lookup(word)
    if token != UNK:
        return [token]
    found: list[int] = []
    for part in word.split("-"):
        token = lookup(part) if part != word else UNK
        if token == UNK:
            elided = next((e for e in elisions if part.startswith(e) and len(part) > len(e)), None)
            if elided is not None:
                found.append(lookup(elided))
                token = lookup(part[len(elided) :])
        if part:
            found.append(token)
    return found


def word_reader(
    token_of: Mapping[str, int], normalise: Normalise = normalise_word, elisions: Sequence[str] = ()
) -> Callable[[str], list[int]]:
    """What gives the token ids of a word of running text, as `WordModel.token_ids` does for a pack.

    token_of : the lexicon's words, as `normalise` spells them, to their ids. elisions : beginnings of words that are
    read as words of their own. Words outside `token_of` are `UNK`, or the parts they are read as (`token_ids`).
    """

    def lookup(word: str) -> int:
        return token_of.get(word, UNK)

    return lambda word: [NUM] if word == NUMBER else token_ids(normalise(word), lookup, elisions)


def letters_of(word: str) -> str:
    """The letters a typist types for `word`: without apostrophes and hyphens."""
    return word.replace("'", "").replace("-", "")


def word_order(word: str) -> tuple[int, str, str]:
    """Sort key of the lexicon: words of one length lie together, then by letters, then by spelling."""
    letters = letters_of(word)
    return len(letters), letters, word
