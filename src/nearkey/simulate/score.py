"""Scoring a layout: words, touches, our decoder and whoever is compared with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal, Unpack

from nearkey.decode import Decoder, EditCosts, LanguagePack, require_pack
from nearkey.decode.options import COMPLETION
from nearkey.errors import NearkeyError, PlanError
from nearkey.layout import Layout
from nearkey.simulate.completion import Completion, completion_savings
from nearkey.simulate.decoders.baseline_decoders import baselines
from nearkey.simulate.decoders.own import OwnDecoder, live_lists
from nearkey.simulate.decoders.protocol import Answers, BatchDecodes, Decodes, LiveLists, Queries
from nearkey.simulate.identity import digest, pack_identity, touch_identity
from nearkey.simulate.keystrokes import characteristic_kspc, collisions, multi_tap_kspc, spelled_for
from nearkey.simulate.layout_score import (
    Compared,
    DecoderScore,
    Latency,
    LayoutScore,
    StaticScore,
    latency_of,
)
from nearkey.simulate.outcomes import TOP
from nearkey.simulate.running import run_trials
from nearkey.simulate.simulation_options import (
    SimulationKeywords,
    SimulationOptions,
    StepCount,
    check_words,
)
from nearkey.simulate.trial import Condition, Stages, TouchSource, TypedWords, TypingTrial
from nearkey.simulate.workload import Workload, count_different
from nearkey.version import VERSION

OWN_NAME = {"words": "nearkey", "live": "nearkey live"}
"""What our decoder is called in results, by how it is used."""


class ScoreKeywords(SimulationKeywords, total=False):
    """The keywords of a score: see `ScoreOptions`."""

    k: int
    use: Literal["words", "live"]
    edits: EditCosts | None
    completion_words: int
    latency_words: int
    compare: Mapping[str, Decodes | BatchDecodes] | bool
    compare_words: int


@dataclass(frozen=True, kw_only=True, slots=True)
class ScoreOptions(SimulationOptions):
    """What a score is told besides what every simulation is.

    Parameters
    ----------
    k : candidates asked for, 10 or more (`mean_rank` and the rank distribution end there).
    use : "words", or "live" for what a live list shows, spelled words included.
    edits : costs of the decoder.
    completion_words : words typed to measure keystroke savings; 0 leaves that out.
    latency_words : words timed one by one; 0 leaves that out.
    compare : True scores the baselines too, on the same touches; a mapping scores them and other decoders
        by name. compare_words : all these, and ours again, are asked the first so many words.

    Raises PlanError for values that cannot be meant.
    """

    k: int = 10
    use: Literal["words", "live"] = "words"
    edits: EditCosts = field(default_factory=EditCosts)
    completion_words: int = 300
    latency_words: int = 300
    compare: Mapping[str, Decodes | BatchDecodes] | bool = False
    compare_words: int = 500

    def __post_init__(self) -> None:
        SimulationOptions.__post_init__(self)
        check_words(self.compare_words, "compare_words")
        if self.k < max(TOP):
            raise PlanError(
                f"a list of {self.k} has no top {max(TOP)}",
                field="k",
                fix=f"ask for {max(TOP)} or more",
            )


def score_layout(
    layout: Layout,
    *,
    touch: TouchSource,
    pack: LanguagePack,
    decoder_touch: TouchSource | None = None,
    **keywords: Unpack[ScoreKeywords],
) -> LayoutScore:
    """Score a layout: type words on it with a simulated typist and judge what the decoder makes of them.

    The same words, touches and answers as `rank_layouts` has with the same settings, so the same figures.

    Parameters
    ----------
    layout : any layout. touch : where touches land (as of `rank_layouts`).
    pack : lexicon and language model.
    decoder_touch : the model the decoder assumes, where it is not the typist's.
    keywords : words, seed, corpus, in_context, selection, speed, lm_weight, workers, executor, progress (see
        `SimulationOptions`); k, use, edits, completion_words, latency_words, compare, compare_words (see
        `ScoreOptions`).

    Raises PlanError for arguments that cannot be meant, and what the corpus and the models raise.
    """
    require_pack(pack, "score_layout")
    options, stages = ScoreOptions.of(keywords), Stages()
    condition = Condition.of(layout, touch, decoder_touch)
    with stages("words"):
        workload = options.workload(pack, layout.letters)
    found = score_condition(condition, workload, pack=pack, options=options)
    return replace(found, stages={**stages.seconds, **found.stages})


def score_condition(
    condition: Condition,
    workload: Workload,
    *,
    pack: LanguagePack,
    static: StaticScore | None = None,
    **keywords: Unpack[ScoreKeywords],
) -> LayoutScore:
    """As `score_layout`, for words already chosen: a benchmark types the same ones on many layouts.

    Parameters
    ----------
    condition : the layout, where touches land on it, and what the decoder assumes. workload : the words.
    pack : lexicon and language model. static : where it is known already.
    keywords : as of `score_layout`, without words, corpus and in_context; the seed is that of the touches, and of
        the words as far as results tell.
    """
    options, stages = ScoreOptions.of(keywords), Stages()
    layout, name = condition.layout, OWN_NAME[options.use]
    with_context = workload.states is not None
    with stages("decoder"):
        edits = options.edits
        if options.use == "words" and edits.completion is None:
            edits = replace(edits, completion=COMPLETION)  # of no account for finished words
        decoder = Decoder(layout, condition.assumed, pack, lm_weight=options.lm_weight, edits=edits)
        own = OwnDecoder(decoder, use=options.use, context=with_context)
    trial = TypingTrial(
        condition, pack, workload.vocabulary, options, k=options.k, detail=True, decoder=own
    )
    progress = StepCount(options, workload.n_chunks)
    judged = run_trials({layout.name: trial}, workload, options, done=progress.step)[layout.name]
    stages.add(judged.stages)
    latency: Latency | None = None
    if options.latency_words:
        progress.step(layout.name, "latency", more=0)
        with stages("decoder"):
            timed = trial.type_first(workload, options.latency_words)
            latency = latency_of(own, timed.queries, options.k)
    with stages("judging"):
        score = DecoderScore.of(
            judged, known=workload.known, k=options.k, name=name, latency=latency
        )
    completion = None
    if options.completion_words and edits.completion is not None:
        progress.step(layout.name, "completions", more=0)
        with stages("decoder"):
            typed = trial.type_first(workload, options.completion_words)
            completion = _completion(own, typed, options)
    if static is None:
        with stages("judging"):
            static = static_score(layout, pack)
    compared, skipped = (
        _compared(trial, workload, options, completion, progress) if options.compare else ({}, {})
    )
    return LayoutScore(
        layout=layout.name,
        keys=len(layout.letter_keys),
        static=static,
        score=score,
        completion=completion,
        compared=compared,
        skipped=skipped,
        conditions={
            "nearkey": VERSION,
            "pack": pack_identity(pack),
            "corpus": workload.source,
            "corpus_seen_by_pack": workload.trained,
            "words": len(workload),
            "words_skipped": workload.skipped,
            "context": with_context,
            "seed": options.seed,
            "k": options.k,
            "use": options.use,
            "layout": digest(repr(layout.to_dict())),
            "touch": touch_identity(condition.generating),
            "decoder_touch": "the same"
            if condition.assumed is condition.generating
            else touch_identity(condition.assumed),
            "lm_weight": options.lm_weight,
            "completion_cost": edits.completion,
            "selection": {
                "style": options.selection.style,
                "listed": options.selection.k,
            },
        },
        stages=stages.seconds,
    )


def _completion(lists: LiveLists, typed: TypedWords, options: ScoreOptions) -> Completion:
    return completion_savings(
        lists,
        typed.queries,
        typed.workload.texts(),
        typed.spelled,
        options.selection,
        different=count_different(typed.workload.origin),
    )


@dataclass(frozen=True, slots=True)
class _Listing:
    """A decoder of which live lists are judged."""

    lists: LiveLists
    completions: bool

    def answer(self, queries: Queries, k: int) -> Answers:
        """Those of finished words."""
        return self.lists.answer_live(queries.placed(), k, completions=self.completions)


def _compared(
    trial: TypingTrial,
    workload: Workload,
    options: ScoreOptions,
    completion: Completion | None,
    progress: StepCount,
) -> tuple[dict[str, Compared], dict[str, str]]:
    """Ours and other decoders on the first words, by name; and those that cannot run here, and why.

    completion : ours. Others than the baselines are asked for live lists, too, where they give them.
    """
    typed = trial.type_first(workload, options.compare_words)
    typed_live = trial.type_first(workload, options.completion_words) if completion else None
    edits = trial.decoder.decoder.edits
    others: dict[str, Any] = {OWN_NAME[options.use]: trial.decoder}
    others |= baselines(trial.decoder.decoder, typist_touch=trial.condition.generating)
    given = {} if isinstance(options.compare, bool) else dict(options.compare)
    compared: dict[str, Compared] = {}
    skipped: dict[str, str] = {}
    ours: Compared | None = None
    for name, decoder in (others | given).items():
        progress.step(trial.condition.layout.name, name, more=0)
        if isinstance(decoder, NearkeyError):
            skipped[name] = str(decoder)
            continue
        lists = live_lists(decoder) if name in given else None
        if lists is not None and options.use == "live":
            decoder = _Listing(lists, edits.completion is not None)
        judged = trial.judge(typed, decoder)
        theirs = completion if ours is None else None
        if lists is not None and typed_live is not None:
            theirs = _completion(lists, typed_live, options)
            judged.faults.include(theirs.faults)
        score = DecoderScore.of(judged, known=typed.workload.known, k=options.k, name=name)
        compared[name] = Compared.of(score, ours.score if ours else score, theirs)
        ours = ours or compared[name]
    return compared, skipped


def static_score(layout: Layout, pack: LanguagePack) -> StaticScore:
    """The exact measures of a layout under a pack, touches perfect."""
    spelled = spelled_for(layout, pack)
    found = collisions(layout, pack, spelled=spelled)
    return StaticScore(
        collision_rate=found.rate,
        shared=found.shared,
        kspc=characteristic_kspc(layout, pack, found=found, spelled=spelled),
        multi_tap_kspc=multi_tap_kspc(layout, pack, spelled=spelled),
    )
