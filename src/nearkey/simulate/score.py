"""Scoring a layout: words, touches, our decoder and whoever is compared with it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from os import PathLike
from typing import Any, Literal

import nearkey
from nearkey.decode import Decoder, EditCosts, LanguagePack, TouchModel, require_pack
from nearkey.decode.options import COMPLETION
from nearkey.errors import NearkeyError, PlanError
from nearkey.layout import Layout
from nearkey.simulate.collisions import collisions
from nearkey.simulate.completion import completion_savings
from nearkey.simulate.corpora import Corpus, read_source
from nearkey.simulate.decoders.baselines import baselines
from nearkey.simulate.decoders.own import OwnDecoder
from nearkey.simulate.decoders.protocol import BatchDecodes, Decodes
from nearkey.simulate.identity import digest, pack_identity, touch_identity
from nearkey.simulate.judge import Stages, score_decoder
from nearkey.simulate.keystrokes import Selection, disambiguation_kspc, multi_tap_kspc
from nearkey.simulate.outcomes import TOP
from nearkey.simulate.rank import TouchSource, model_for
from nearkey.simulate.score_result import (
    Compared,
    LayoutScore,
    StaticScore,
)
from nearkey.simulate.typed import make_workload, type_workload
from nearkey.simulate.typist import SamplingTouchModel
from nearkey.simulate.words import count_different
from nearkey.simulate.workload import Workload

__all__ = ["score_layout", "score_workload", "static_score"]

OWN_NAME = {"words": "nearkey", "live": "nearkey live"}
"""What our decoder is called in results, by how it is used."""


def score_layout(
    layout: Layout,
    *,
    touch: TouchSource,
    pack: LanguagePack,
    corpus: Corpus | str | PathLike[str] | None = None,
    words: int = 5000,
    seed: int = 0,
    context: bool | None = None,
    k: int = 10,
    use: Literal["words", "live"] = "words",
    decoder_touch: TouchSource | None = None,
    lm_weight: float = 1.0,
    edits: EditCosts | None = None,
    selection: Selection | None = None,
    completion_words: int = 300,
    latency_words: int = 300,
    compare: Mapping[str, Decodes | BatchDecodes] | bool = False,
    compare_words: int = 500,
    threads: int = 1,
    progress: Callable[[str], None] | None = None,
) -> LayoutScore:
    """Score a layout: type words on it with a simulated typist and judge what the decoder makes of them.

    Parameters
    ----------
    layout : any layout. touch : where touches land (as of `rank_layouts`).
    pack : lexicon and language model.
    corpus : text to type: a `Corpus`, or what `read_source` takes; None draws words by their probability in
        the pack, all of them in its lexicon.
    words : how many. seed : of words and touches.
    context : decode each word after those before it; by default where there is a corpus.
    k : candidates asked for, 10 or more (`mean_rank` and the rank distribution end there).
    use : "words", or "live" for what a live list shows, spelled words included.
    decoder_touch : the model the decoder assumes, where it is not the typist's.
    lm_weight, edits : of the decoder. selection : how a person picks a candidate.
    completion_words : words typed to measure keystroke savings; 0 leaves that out.
    latency_words : words timed one by one; 0 leaves that out.
    compare : True scores the baselines too, on the same touches; a mapping scores them and other
        decoders by name. compare_words : all these, and ours again, are asked the first so many words.
    threads : of the kernel; no figure of quality depends on it.
    progress : called with the name of what is being done.

    Raises PlanError for arguments that cannot be meant, and what the corpus and the models raise.
    """
    require_pack(pack, "score_layout")
    _check(words, k, compare_words, context, corpus)
    stages, tell = Stages(), progress or (lambda _: None)
    truth = model_for(touch, layout)
    believed = truth if decoder_touch is None else model_for(decoder_touch, layout)
    tell("words")
    with stages("words"):
        text = corpus if isinstance(corpus, Corpus) or corpus is None else read_source(corpus)
        with_context = context if context is not None else text is not None
        workload = make_workload(
            pack, text, words=words, seed=seed, letters=layout.letters, context=with_context
        )
    return score_workload(
        layout,
        workload,
        truth=truth,
        believed=believed,
        pack=pack,
        seed=seed,
        k=k,
        use=use,
        lm_weight=lm_weight,
        edits=edits,
        selection=selection,
        completion_words=completion_words,
        latency_words=latency_words,
        compare=compare,
        compare_words=compare_words,
        threads=threads,
        progress=progress,
        stages=stages,
    )


def score_workload(
    layout: Layout,
    workload: Workload,
    *,
    truth: SamplingTouchModel,
    believed: TouchModel,
    pack: LanguagePack,
    seed: int,
    k: int = 10,
    use: Literal["words", "live"] = "words",
    lm_weight: float = 1.0,
    edits: EditCosts | None = None,
    selection: Selection | None = None,
    completion_words: int = 300,
    latency_words: int = 300,
    compare: Mapping[str, Decodes | BatchDecodes] | bool = False,
    compare_words: int = 500,
    static: StaticScore | None = None,
    threads: int = 1,
    progress: Callable[[str], None] | None = None,
    stages: Stages | None = None,
) -> LayoutScore:
    """As `score_layout`, for words already chosen: a benchmark types the same ones on many layouts.

    truth, believed : where touches land, and what the decoder assumes; for this layout.
    seed : of the touches, and of the words as far as results tell. static : where it is known already.
    """
    stages, tell = stages or Stages(), progress or (lambda _: None)
    words, with_context = len(workload), workload.states is not None
    tell("touches")
    with stages("touches"):
        typed = type_workload(layout, truth, workload, seed=seed, selection=selection)
    tell("decoder")
    with stages("decoder"):
        costs = edits or EditCosts()
        if use == "words" and costs.completion is None:
            costs = replace(costs, completion=COMPLETION)  # of no account for finished words
        decoder = Decoder(layout, believed, pack, lm_weight=lm_weight, edits=costs)
        own = OwnDecoder(decoder, use=use, context=with_context, threads=threads)
    name = OWN_NAME[use]
    judged = score_decoder(typed, own, name=name, k=k, latency_words=latency_words, stages=stages)
    completion = None
    if completion_words and costs.completion is not None:
        tell("completions")
        with stages("decoder"):
            part = typed.head(min(completion_words, words))
            completion = completion_savings(
                decoder,
                part.queries,
                [part.workload.text(i) for i in range(len(part.workload))],
                part.spelled,
                part.selection,
                different=count_different(part.workload.origin),
            )
    if static is None:
        with stages("judging"):
            static = static_score(layout, pack)
    compared, skipped = {}, {}
    if compare:
        others: Mapping[str, Any] = baselines(decoder, typist_touch=truth)
        if compare is not True:
            others = {**others, **compare}
        part = typed.head(min(compare_words, words))
        reference = score_decoder(part, own, name=name, k=k)
        compared[name] = Compared.of(reference.score, reference.outcomes, reference.outcomes)
        for other, asked in others.items():
            tell(other)
            if isinstance(asked, NearkeyError):
                skipped[other] = str(asked)
                continue
            found = score_decoder(part, asked, name=other, k=k)
            compared[other] = Compared.of(found.score, found.outcomes, reference.outcomes)
    return LayoutScore(
        layout=layout.name,
        keys=len(layout.letter_keys),
        static=static,
        score=judged.score,
        completion=completion,
        compared=compared,
        skipped=skipped,
        conditions={
            "nearkey": nearkey.__version__,
            "pack": pack_identity(pack),
            "corpus": workload.source,
            "corpus_seen_by_pack": workload.trained,
            "words": words,
            "words_skipped": workload.skipped,
            "context": with_context,
            "seed": seed,
            "k": k,
            "use": use,
            "layout": digest(repr(layout.to_dict())),
            "touch": touch_identity(truth),
            "decoder_touch": "the same" if believed is truth else touch_identity(believed),
            "lm_weight": lm_weight,
            "completion_cost": costs.completion,
            "selection": {"style": typed.selection.style, "listed": typed.selection.listed},
        },
        stages=stages.seconds,
    )


def static_score(layout: Layout, pack: LanguagePack) -> StaticScore:
    """The exact measures of a layout under a pack, touches perfect."""
    found = collisions(layout, pack)
    return StaticScore(
        collision_rate=found.rate,
        shared=found.shared,
        kspc=disambiguation_kspc(layout, pack, found=found),
        multi_tap_kspc=multi_tap_kspc(layout, pack),
    )


def _check(words: int, k: int, compare_words: int, context: bool | None, corpus: object) -> None:
    if words < 2:
        raise PlanError(f"{words} words give no interval", field="words", fix="type 2 or more")
    if k < max(TOP):
        raise PlanError(
            f"a list of {k} has no top {max(TOP)}", field="k", fix=f"ask for {max(TOP)} or more"
        )
    if compare_words < 2:
        raise PlanError(
            f"{compare_words} words give no interval", field="compare_words", fix="give 2 or more"
        )
    if context and corpus is None:
        raise PlanError(
            "words drawn one by one have no context", field="context", fix="give a corpus"
        )
