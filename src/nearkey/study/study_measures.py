"""From study logs to the measures the field reports: by phrase, block, participant, and overall."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable, Iterable
from functools import partial
from itertools import groupby
from typing import Any

from nearkey.errors import StudyLogError
from nearkey.seeds import Seed
from nearkey.study.alignment import align
from nearkey.study.phrase_counts import Selection, add_counts, count_trial
from nearkey.study.results import (
    ConditionMeasures,
    GroupMeasures,
    IntervalKind,
    LeftOut,
    Measures,
    PhraseMeasures,
    check_interval,
    sample_sd,
)
from nearkey.study.study_log import StudyLog, StudyTrial


def strip_end(text: str) -> str:
    """How a `text` is compared unless you say otherwise: Unicode NFC, white space at the end off.

    A word-level entry leaves a space behind the last word that no prompt has.
    """
    return unicodedata.normalize("NFC", text).rstrip()


def compared_text(
    text: str,
    *,
    normalise: Callable[[str], str] = strip_end,
    ignore_case: bool = False,
    ignore_punctuation: bool = False,
) -> str:
    """A `text` as a study compares it.

    normalise : comes first. ignore_case : letters that differ in case alone are the same (`str.casefold`).
    ignore_punctuation : characters of Unicode's categories P are taken out, and what white space they leave between
        words becomes one space.
    """
    text = normalise(text)
    if ignore_case:
        text = text.casefold()
    if ignore_punctuation:
        bare = "".join(c for c in text if unicodedata.category(c)[0] != "P")
        text = " ".join(bare.split())
    return text


def measures(
    logs: StudyLog | Iterable[StudyLog],
    *,
    selection: Selection = "entry",
    normalise: Callable[[str], str] = strip_end,
    ignore_case: bool = False,
    ignore_punctuation: bool = False,
    practice: bool = False,
    interrupted: bool = False,
    confidence: float = 0.95,
    interval: IntervalKind = "t",
    resamples: int = 2000,
    seed: Seed = 0,
) -> Measures:
    """Measure one study log or many; everything comes from the logs alone.

    Formulas and sources stand with each measure in `Rates` (those of `METRICS`); `count_trial` says how
    keystrokes are classed where one action changes a whole word.

    A block's and a participant's measure is the ratio of the sums over its phrases, so that every
    character (for speed: every second) weighs the same. A condition's and the overall measure is
    the mean over participants, each weighing the same, with Student's t interval over participants,
    cut to the values the measure can have. Practice, aborted, unfinished and interrupted trials are left out
    and listed in `left_out`.

    Parameters
    ----------
    logs : one log, or any number of them.
    selection : "entry" or "fix": how accepting a candidate is classed, see `count_trial`.
    normalise : applied to P and T before they are compared. ignore_case, ignore_punctuation : see
        `compared_text`. Speed and keystrokes are of the text as typed, whatever is ignored.
    practice : measure practice trials too. interrupted : also those that a reload, a lost connection or a crash
        broke into (`StudyTrial.interruptions`), whose seconds hold more than typing; leaving them out is common
        practice, no source.
    confidence : of the intervals. interval : "t", or "bootstrap" (percentile), which is too narrow for
        fewer than twenty participants or so. resamples, seed : of the bootstrap.

    Raises StudyLogError for another `selection`, another `interval` or a log given twice, NearkeyError for a
    confidence outside (0, 1) or no resamples.
    """
    check_interval(interval)
    if selection not in ("entry", "fix"):
        raise StudyLogError(f"is {selection!r}", field="selection", fix="use 'entry' or 'fix'")
    given = (logs,) if isinstance(logs, StudyLog) else tuple(logs)
    _check_distinct(given)
    compare = partial(
        compared_text,
        normalise=normalise,
        ignore_case=ignore_case,
        ignore_punctuation=ignore_punctuation,
    )
    phrases: list[PhraseMeasures] = []
    left_out: list[LeftOut] = []
    for log in given:
        for trial in log.trials():
            reason = _reason_to_leave(trial, practice, interrupted)
            if reason:
                left_out.append(LeftOut(**_labels(trial), reason=reason))
            else:
                phrases.append(_phrase(trial, selection, compare))
    participants = _groups(phrases, ("participant", "condition"))

    summary = partial(
        ConditionMeasures.of,
        confidence=confidence,
        interval=interval,
        resamples=resamples,
        seed=seed,
    )
    names = sorted({group.condition for group in participants if group.condition is not None})
    return Measures(
        phrases=tuple(phrases),
        blocks=_groups(phrases, ("participant", "condition", "session", "block")),
        participants=participants,
        conditions=tuple(summary(name, participants) for name in names),
        overall=summary(None, _groups(phrases, ("participant",))),
        left_out=tuple(left_out),
        origins=tuple(sorted({log.header.origin for log in given})),
        selection=selection,
        confidence=confidence,
        interval=interval,
        ignored=tuple(
            what
            for what, said in (("case", ignore_case), ("punctuation", ignore_punctuation))
            if said
        ),
    )


def _check_distinct(logs: tuple[StudyLog, ...]) -> None:
    for i, log in enumerate(logs):
        header = log.header
        if log.events and any(
            one.header == header and one.events == log.events for one in logs[:i]
        ):
            raise StudyLogError(
                f"the log of participant {header.participant}, condition {header.condition}, "
                f"session {header.session} is given twice",
                where=log.source,
                fix="give each log once",
            )


def _reason_to_leave(trial: StudyTrial, practice: bool, interrupted: bool) -> str | None:
    if trial.state != "done":
        return trial.state
    if trial.prompt.practice and not practice:
        return "practice"
    if trial.interruptions and not interrupted:
        return "interrupted"
    if not trial.actions:
        return "nothing was typed"
    return None


def _labels(trial: StudyTrial) -> dict[str, Any]:
    header = trial.header
    return {
        "participant": header.participant,
        "condition": header.condition,
        "session": header.session,
        "block": trial.block,
        "trial": trial.prompt.trial if trial.prompt.trial is not None else trial.order,
    }


def _phrase(
    trial: StudyTrial, selection: Selection, compare: Callable[[str], str]
) -> PhraseMeasures:
    presented, transcribed = compare(trial.prompt.text), compare(trial.transcribed)
    alignments = align(presented, transcribed)
    counts = count_trial(
        trial,
        presented=presented,
        transcribed=transcribed,
        alignments=alignments,
        selection=selection,
    )
    return PhraseMeasures(
        **_labels(trial),
        presented=presented,
        transcribed=transcribed,
        counts=counts,
        alignments=alignments,
    )


def _groups(phrases: Iterable[PhraseMeasures], by: tuple[str, ...]) -> tuple[GroupMeasures, ...]:
    """Pool the phrases that share the labels `by`, sorted by them."""

    def labels(phrase: PhraseMeasures) -> tuple[Any, ...]:
        return tuple(getattr(phrase, name) for name in by)

    out = []
    for key, parts in groupby(sorted(phrases, key=labels), labels):
        group = list(parts)
        speeds = [one.wpm for one in group if not math.isnan(one.wpm)]
        out.append(
            GroupMeasures(
                **dict(zip(by, key, strict=True)),
                counts=add_counts([one.counts for one in group]),
                wpm_phrase_mean=sum(speeds) / len(speeds) if speeds else math.nan,
                wpm_phrase_sd=sample_sd(speeds),
            )
        )
    return tuple(out)
