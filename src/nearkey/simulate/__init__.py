"""A simulated typist against the real decoder: scoring and ranking layouts before hardware exists."""

from nearkey.intervals import Estimate
from nearkey.simulate.calibration import Calibration, calibrate
from nearkey.simulate.finger_widths import WidthRanking, rank_by_width
from nearkey.simulate.invented_hands import (
    PLAUSIBLE_SD,
    PLAUSIBLE_TRAITS,
    HandTouch,
    HandTraits,
    invent_hands,
)
from nearkey.simulate.keystrokes import (
    Collisions,
    Selection,
    Speed,
    characteristic_kspc,
    collisions,
    finger_fitts_time,
    multi_tap_kspc,
    multi_tap_presses,
)
from nearkey.simulate.layout_score import LayoutScore
from nearkey.simulate.outcomes import WordOutcomes
from nearkey.simulate.people_ranking import PeopleRanking, PeopleRow
from nearkey.simulate.rank import rank_layouts
from nearkey.simulate.rank_result import Confusion, RankResult, RankRow
from nearkey.simulate.replay import RecordedTouches, ReplayGap, ReplayTouch, replay_gap
from nearkey.simulate.results_comparison import ResultsComparison, compare_results
from nearkey.simulate.score import score_layout
from nearkey.simulate.simulation_options import SimulationOptions, SimulationProgress
from nearkey.simulate.spread_curves import LayoutNoise, NoiseCurve, NoiseCurves, noise_curves
from nearkey.simulate.trial import Condition, TouchSource, TypingTrial
from nearkey.simulate.typing_people import (
    DecoderModel,
    InventedPeople,
    RecordedPeople,
    TouchesOnLayout,
    TypingPeople,
)
from nearkey.simulate.typist import SamplingTouchModel, Typing, Typist
from nearkey.simulate.workload import Corpus, CorpusSource, Workload, make_workload, read_source

__all__ = [
    "PLAUSIBLE_SD",
    "PLAUSIBLE_TRAITS",
    "Calibration",
    "Collisions",
    "Condition",
    "Confusion",
    "Corpus",
    "CorpusSource",
    "DecoderModel",
    "Estimate",
    "HandTouch",
    "HandTraits",
    "InventedPeople",
    "LayoutNoise",
    "LayoutScore",
    "NoiseCurve",
    "NoiseCurves",
    "PeopleRanking",
    "PeopleRow",
    "RankResult",
    "RankRow",
    "RecordedPeople",
    "RecordedTouches",
    "ReplayGap",
    "ReplayTouch",
    "ResultsComparison",
    "SamplingTouchModel",
    "Selection",
    "SimulationOptions",
    "SimulationProgress",
    "Speed",
    "TouchSource",
    "TouchesOnLayout",
    "Typing",
    "TypingPeople",
    "TypingTrial",
    "Typist",
    "WidthRanking",
    "WordOutcomes",
    "Workload",
    "calibrate",
    "characteristic_kspc",
    "collisions",
    "compare_results",
    "finger_fitts_time",
    "invent_hands",
    "make_workload",
    "multi_tap_kspc",
    "multi_tap_presses",
    "noise_curves",
    "rank_by_width",
    "rank_layouts",
    "read_source",
    "replay_gap",
    "score_layout",
]
