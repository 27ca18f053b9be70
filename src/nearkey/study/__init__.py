"""Study logs and the measures of text entry: schema, writer, reader, measures, plans, statistics.

Nothing here knows a decoder: a person's log and a simulated one go through the same code.
"""

from nearkey.intervals import Estimate, bootstrap_mean
from nearkey.study.alignment import Alignments, ConfusionMatrix, align, string_distance
from nearkey.study.condition_tests import (
    ConditionComparison,
    ConditionComparisons,
    RepeatedMeasures,
    compare_conditions,
    holm,
    repeated_measures,
)
from nearkey.study.learning_curves import LearningCurve, PowerLaw, fit_power_law, learning_curve
from nearkey.study.measures import measures, strip_end
from nearkey.study.phrase_counts import PhraseCounts
from nearkey.study.phrases import PhraseDraw, draw_phrases
from nearkey.study.rates import METRICS
from nearkey.study.results import (
    ConditionMeasures,
    GroupMeasures,
    LeftOut,
    MeanOfParticipants,
    Measures,
    PhraseMeasures,
)
from nearkey.study.study_log import StudyLog, StudyTrial
from nearkey.study.study_plan import BlockPlan, StudyPlan, plan_study, williams_design
from nearkey.study.study_records import StudyHeader, StudyRecord
from nearkey.study.writer import StudyLogRecorder, StudyLogWriter

__all__ = [
    "METRICS",
    "Alignments",
    "BlockPlan",
    "ConditionComparison",
    "ConditionComparisons",
    "ConditionMeasures",
    "ConfusionMatrix",
    "Estimate",
    "GroupMeasures",
    "LearningCurve",
    "LeftOut",
    "MeanOfParticipants",
    "Measures",
    "PhraseCounts",
    "PhraseDraw",
    "PhraseMeasures",
    "PowerLaw",
    "RepeatedMeasures",
    "StudyHeader",
    "StudyLog",
    "StudyLogRecorder",
    "StudyLogWriter",
    "StudyPlan",
    "StudyRecord",
    "StudyTrial",
    "align",
    "bootstrap_mean",
    "compare_conditions",
    "draw_phrases",
    "fit_power_law",
    "holm",
    "learning_curve",
    "measures",
    "plan_study",
    "repeated_measures",
    "string_distance",
    "strip_end",
    "williams_design",
]
