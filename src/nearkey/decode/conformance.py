"""Checks that any language model, pack or decoder must pass: for ours and for other people's plug-ins."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from itertools import pairwise, product
from typing import Any

import numpy as np

from nearkey.decode.candidates import Candidate
from nearkey.decode.decoder import Decoder
from nearkey.decode.protocols import (
    LanguageModel,
    LiveDecoder,
    PackParts,
    State,
    TableLanguageModel,
    TextLanguageModel,
)
from nearkey.decode.tries import hash_of
from nearkey.errors import DecodeError
from nearkey.layout import Layout
from nearkey.seeds import Seed, seed_number

_ABSENT = "zzyzx"
"""A word that no lexicon of a test or pack of ours has; what is checked holds for one that does, too."""

_LN_ROUNDING = 1e-4


def _demand(kept: bool, where: str, field: str, problem: str) -> None:
    if not kept:
        raise DecodeError(
            problem, where=where, field=field, fix="see the Protocols in nearkey.decode.protocols"
        )


def check_language_model(
    model: LanguageModel, words: Sequence[str], *, seed: Seed = 0, proper: bool = True
) -> None:
    """Raise DecodeError where a language model breaks its contract.

    States are hashable, neither None nor text, equal for equal histories, and untouched by `advance`;
    `log_probs` gives a float32 vector over the words, natural logs, the same each time, for known words before it
    and for unknown ones; words and `log_unknown` together have no more than all of the mass. A model with a `table`
    has states of token ids and says by its table what its vector says; `state_after("")` is the start.

    Parameters
    ----------
    model : the language model. words : of the lexicon it stands beside, in their order.
    seed : of the histories tried. proper : False leaves the sum of probabilities unchecked.
    """
    where = type(model).__name__
    is_one = isinstance(model, LanguageModel)
    _demand(is_one, where, "", "lacks one of start, advance, log_probs, log_unknown")
    rng = np.random.default_rng(seed)
    states = [model.start()]
    for word in [*(str(w) for w in rng.choice(np.asarray(words), 4)), _ABSENT, str(words[0])]:
        before = np.array(model.log_probs(states[-1]))
        after = model.advance(states[-1], word)
        again = model.advance(states[-1], word)
        same = after == again and hash_of(after) == hash_of(again)
        _demand(same, where, "advance", "gives states that differ for one history")
        kept = np.array_equal(before, model.log_probs(states[-1]))
        _demand(kept, where, "advance", "changed the state it was given")
        states.append(after)
    for state in states:
        _check_state(model, state, words, where, proper=proper)
    if isinstance(model, TextLanguageModel):
        at_start = model.state_after("") == states[0]
        _demand(at_start, where, "state_after", "of no text is not the start")


def _check_state(
    model: LanguageModel, state: State, words: Sequence[str], where: str, *, proper: bool
) -> None:
    hash_of(state)
    opaque = state is not None and not isinstance(state, str)
    _demand(opaque, where, "advance", "gives None or text, which mean something else as a context")
    found = model.log_probs(state)
    is_vector = isinstance(found, np.ndarray) and found.dtype == np.float32
    _demand(is_vector, where, "log_probs", "gives no float32 array")
    right = found.shape == (len(words),)
    _demand(right, where, "log_probs", f"gives shape {found.shape}, not ({len(words)},)")
    _demand(bool((found <= _LN_ROUNDING).all()), where, "log_probs", "gives NaN or more than 0")
    unknown = model.log_unknown(state)
    _demand(unknown <= _LN_ROUNDING, where, "log_unknown", "gives NaN or more than 0")
    mass = float(np.exp(found.astype(np.float64)).sum() + np.exp(unknown))
    _demand(not proper or mass < 1.001, where, "log_probs", f"words and the rest sum to {mass:.4f}")
    if isinstance(model, TableLanguageModel):
        tokens = np.asarray(model.tokens(words), dtype=np.uint32)
        known = tokens != model.table.unk
        by_table = model.table.log_probs(state, np.ascontiguousarray(tokens[known]))
        same = np.allclose(by_table, found[known], atol=_LN_ROUNDING)
        _demand(same, where, "table", "gives other probabilities than log_probs")


def check_pack(pack: Any, *, seed: Seed = 0, proper: bool = True) -> None:
    """Raise DecodeError where a language pack, or a part of it, breaks its contract.

    The lexicon's words differ, have float32 log probabilities that sum to 1 at most, and are found by `index`;
    the language model passes `check_language_model`. Checked where present: flagged words are words of the lexicon;
    the letter model has a token for each letter; the case table's forms belong to words; punctuation after words has
    probabilities that sum to 1 at most.

    Parameters
    ----------
    pack : the pack. seed : of the words and histories tried. proper : False leaves sums of probabilities unchecked.
    """
    seed = seed_number(seed)
    parts = PackParts.of(pack, "check_pack")
    lexicon = parts.lexicon
    where = type(lexicon).__name__
    words = list(lexicon.words)
    _demand(len(words) == len(lexicon) > 0, where, "words", "are none, or not as many as len says")
    _demand(len(set(words)) == len(words), where, "words", "holds a word twice")
    log_probs = np.asarray(lexicon.log_probs)
    shaped = log_probs.dtype == np.float32 and log_probs.shape == (len(words),)
    _demand(shaped, where, "log_probs", "is no float32 (n_words,)")
    _demand(bool((log_probs <= _LN_ROUNDING).all()), where, "log_probs", "has NaN or more than 0")
    mass = float(np.exp(log_probs.astype(np.float64)).sum())
    _demand(not proper or mass < 1.001, where, "log_probs", f"sum to {mass:.4f}")
    some = np.random.default_rng(seed).choice(len(words), 50).tolist()
    found = all(lexicon.index(words[i]) == i and words[i] in lexicon for i in some)
    _demand(found, where, "index", "does not find a word where it is")
    places = all(0 <= i < len(words) for i in parts.offensive)
    _demand(places, where, "offensive", "names a place that has no word")
    if parts.letter_model is not None:
        tokens = np.asarray(parts.letter_model.tokens("abc"))
        fits = tokens.shape == (3,) and bool((tokens < parts.letter_model.table.vocab).all())
        _demand(fits, type(parts.letter_model).__name__, "tokens", "are not one a letter")
    if parts.truecase is not None:
        forms = all(0 <= i < len(words) and text for i, text in parts.truecase.forms.items())
        name = type(parts.truecase).__name__
        _demand(forms, name, "forms", "holds an empty form, or one of no word")
        _demand(bool(parts.truecase.capital("a")), name, "capital", "gives no text")
    if parts.marks is not None:
        for i in some[:10]:
            total = sum(np.exp(list(parts.marks.log_probs(words[i]).values())))
            sums = not proper or total < 1.001
            _demand(sums, type(parts.marks).__name__, "log_probs", f"sum to {total:.4f}")
    check_language_model(parts.language_model, words, seed=seed, proper=proper)


def check_decoder(decoder: Any, *, layout: Layout | None = None, seed: Seed = 0) -> None:
    """Raise DecodeError where a decoder breaks its contract: a session's, or a score's where it has `decode` alone.

    Answers repeat and leave their input alone; lists hold no more than was asked for, each reading once, scored by the
    sum of its parts, the best first (the first place alone has a rule of its own); NaN is refused with a ValueError
    (which every NearkeyError is); keys are the layout's; letters and marks come best first. A `Decoder` is
    also asked word by word, in a batch, and touch by touch, which all have to agree.

    One with `decode(points, *, context, k)` alone (and `live`, see `nearkey.simulate`) is asked for words, with a
    context, at the start of a sentence and without: readings with a text and a finite score, the best first.

    Parameters
    ----------
    decoder : the decoder. layout : whose letter keys are touched, where the decoder has no `layout`.
    seed : of the touches tried: some 20, around the layout's letter keys.
    """
    where = type(decoder).__name__
    live, alone = isinstance(decoder, LiveDecoder), callable(getattr(decoder, "decode", None))
    # Whoever has a session's `candidates` means sessions.
    lacks = "lacks a member that sessions ask for"
    _demand(live or not hasattr(decoder, "candidates"), where, "", lacks)
    _demand(live or alone, where, "", f"{lacks}, and decode")
    layout = getattr(decoder, "layout", layout)
    _demand(isinstance(layout, Layout), where, "layout", "is none: give check_decoder one")
    assert layout is not None
    rng = np.random.default_rng(seed)
    keys = np.asarray(sorted(set(layout.key_of_letter.values())))
    words = [
        layout.centers[rng.choice(keys, n)] + rng.normal(0.0, 0.2, (n, 2)) * layout.sizes.min()
        for n in (0, 1, 2, 3, 5, 8)
    ]
    if not live:
        for points in words[1:]:
            _check_decode(decoder, points, where)
        return
    for points in words:
        before = points.copy()
        for context in ("", "the"):
            found = list(decoder.candidates(points, context=context, k=4))
            _check_list(found, 4, where)
            again = list(decoder.candidates(points.tolist(), context=context, k=4))
            _demand(found == again, where, "candidates", "differ for the same touches")
        _demand(np.array_equal(points, before), where, "candidates", "changed their input")
        _demand(len(decoder.literal(points)) == len(points), where, "literal", "is not one a touch")
        for point in points:
            known = decoder.key_at(point) in layout.keys
            _demand(known, where, "key_at", "gives a key the layout has not got")
            _check_falling([p for _, p in decoder.letters_at(point)], where, "letters_at")
    _check_falling([p for _, p in decoder.marks("the")], where, "marks")
    hash_of(decoder.state_after("the"))
    try:
        decoder.candidates([(0.0, float("nan"))], context="", k=1)
    except ValueError:
        pass
    else:
        _demand(False, where, "candidates", "must refuse NaN")
    if isinstance(decoder, Decoder):
        _check_ways(decoder, words, where)


def _check_decode(decoder: Any, points: Any, where: str) -> None:
    """Readings of one word's touches, by `decode` and, where there is one, `live`."""
    before = points.copy()
    ways = {"decode": decoder.decode}
    if hasattr(decoder, "live"):
        ways |= {"live": partial(decoder.live, completions=True)}
    for (field, ask), context in product(ways.items(), ("", "the", None)):
        found, again = (
            [(str(r.text), float(r.log_prob)) for r in ask(points, context=context, k=4)]
            for _ in range(2)
        )
        texts = [text for text, _ in found]
        _demand(len(found) <= 4, where, field, f"gives {len(found)} where 4 were asked for")
        _demand(all(texts), where, field, "gives a reading without text")
        _demand(len(set(texts)) == len(texts), where, field, "gives a reading twice")
        _demand(
            bool(np.isfinite([p for _, p in found]).all()), where, field, "gives no finite score"
        )
        if field == "decode":
            _check_falling([p for _, p in found], where, field)
        _demand(found == again, where, field, "answers differ for the same touches")
    _demand(np.array_equal(points, before), where, "decode", "changed its input")


def _check_falling(values: Sequence[float], where: str, field: str) -> None:
    falling = all(a >= b for a, b in pairwise(values))
    _demand(falling, where, field, "do not come best first")


def _check_list(found: Sequence[Candidate], k: int, where: str) -> None:
    field = "candidates"
    _demand(len(found) <= k, where, field, f"are {len(found)} where {k} were asked for")
    _demand(len({c.text for c in found}) == len(found), where, field, "name a reading twice")
    for c in found:
        _demand(bool(c.text and c.word), where, field, "have one without text")
        whole = bool(np.isclose(c.log_prob, c.log_touch + c.log_language, atol=1e-6))
        _demand(whole, where, field, "have a score that is not the sum of its parts")
    _check_falling([c.log_prob for c in found[1:]], where, field)


def _check_ways(decoder: Decoder, words: Sequence[Any], where: str) -> None:
    """One answer by all ways of asking."""
    state = decoder.state_after("the")
    offsets = np.cumsum([0, *map(len, words)])
    states = [state] * len(words)
    index, scores = decoder.decode_batch(np.concatenate(words), offsets, contexts=states, k=3)
    for i, points in enumerate(words):
        single = decoder.decode(points, context=state, k=3)
        same = [c.index for c in single] == [w for w in index[i].tolist() if w >= 0]
        close = np.allclose([c.log_prob for c in single], scores[i][: len(single)])
        _demand(same and close, where, "decode_batch", "answers otherwise than decode")
        if len(points):
            told = decoder.words(decoder.touches(points), state, 3) == single
            _demand(told, where, "words", "answers otherwise than decode")
    stream = decoder.start(context="the", k=4)
    for n, (x, y) in enumerate(words[-1].tolist(), start=1):
        same = stream.tap(x, y) == decoder.candidates(words[-1][:n], context="the", k=4)
        _demand(same, where, "start", "answers otherwise than candidates")
