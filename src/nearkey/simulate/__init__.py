"""A simulated typist against the real decoder: scoring and ranking layouts before hardware exists."""

from nearkey.simulate.collisions import Collisions, collisions
from nearkey.simulate.intervals import Estimate
from nearkey.simulate.keystrokes import (
    Selection,
    disambiguation_kspc,
    multi_tap_kspc,
    multi_tap_presses,
)
from nearkey.simulate.rank import Progress, TouchSource, rank_layouts
from nearkey.simulate.result import Confusion, RankResult, RankRow
from nearkey.simulate.speed import Speed, finger_fitts_time
from nearkey.simulate.trial import Outcome, run_trial
from nearkey.simulate.typist import SamplingTouchModel, Typing, Typist
from nearkey.simulate.words import WordSample, corpus_sample, read_corpus, unigram_sample

__all__ = [
    "Collisions",
    "Confusion",
    "Estimate",
    "Outcome",
    "Progress",
    "RankResult",
    "RankRow",
    "SamplingTouchModel",
    "Selection",
    "Speed",
    "TouchSource",
    "Typing",
    "Typist",
    "WordSample",
    "collisions",
    "corpus_sample",
    "disambiguation_kspc",
    "finger_fitts_time",
    "multi_tap_kspc",
    "multi_tap_presses",
    "rank_layouts",
    "read_corpus",
    "run_trial",
    "unigram_sample",
]
