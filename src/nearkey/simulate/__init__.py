"""A simulated typist against the real decoder: scoring and ranking layouts before hardware exists."""

from nearkey.intervals import Estimate
from nearkey.simulate.calibration import Calibration, calibrate
from nearkey.simulate.collisions import Collisions, collisions
from nearkey.simulate.corpora import Corpus, read_source
from nearkey.simulate.entry_speed import Speed, finger_fitts_time
from nearkey.simulate.finger_widths import WidthRanking, rank_by_width
from nearkey.simulate.keystrokes import (
    Selection,
    disambiguation_kspc,
    multi_tap_kspc,
    multi_tap_presses,
)
from nearkey.simulate.rank import RankProgress, TouchSource, rank_layouts
from nearkey.simulate.rank_result import Confusion, RankResult, RankRow
from nearkey.simulate.replay import RecordedTouches, ReplayTouch
from nearkey.simulate.replay_gap import ReplayGap, replay_gap
from nearkey.simulate.results_comparison import ResultsComparison, compare_results
from nearkey.simulate.score import score_layout
from nearkey.simulate.score_result import LayoutScore
from nearkey.simulate.trial import Outcome, run_trial
from nearkey.simulate.typist import SamplingTouchModel, Typing, Typist
from nearkey.simulate.words import WordSample, corpus_sample, read_corpus, unigram_sample

__all__ = [
    "Calibration",
    "Collisions",
    "Confusion",
    "Corpus",
    "Estimate",
    "LayoutScore",
    "Outcome",
    "RankProgress",
    "RankResult",
    "RankRow",
    "RecordedTouches",
    "ReplayGap",
    "ReplayTouch",
    "ResultsComparison",
    "SamplingTouchModel",
    "Selection",
    "Speed",
    "TouchSource",
    "Typing",
    "Typist",
    "WidthRanking",
    "WordSample",
    "calibrate",
    "collisions",
    "compare_results",
    "corpus_sample",
    "disambiguation_kspc",
    "finger_fitts_time",
    "multi_tap_kspc",
    "multi_tap_presses",
    "rank_by_width",
    "rank_layouts",
    "read_corpus",
    "read_source",
    "replay_gap",
    "run_trial",
    "score_layout",
    "unigram_sample",
]
