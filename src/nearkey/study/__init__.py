"""Study logs and the measures of text entry: schema, writer, reader, measures, plans, statistics.

Nothing here knows a decoder: a person's log and a simulated one go through the same code. What only an analysis needs
is loaded when it is first asked for, so that a keyboard that records a study does not pay for it.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from nearkey.study.study_log import StudyLog, StudyLogRecorder, StudyLogWriter, StudyTrial

# The function stands where the import system would put the module of the same name: it cannot come late.
from nearkey.study.study_measures import compared_text, measures, strip_end
from nearkey.study.study_records import StudyHeader, StudyRecord

if TYPE_CHECKING:
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
    from nearkey.study.effect_sizes import (
        FTest,
        paired_effect_size,
        partial_eta_squared,
        people_for_holm,
        smallest_holm_p,
    )
    from nearkey.study.learning_curves import LearningCurve, PowerLaw, fit_power_law, learning_curve
    from nearkey.study.mixed_models import FixedEffect, MixedEffectsFit, fit_mixed_model
    from nearkey.study.order_effects import (
        ConditionByBlock,
        OrderChecks,
        condition_by_block,
        order_checks,
    )
    from nearkey.study.phrase_counts import PhraseCounts
    from nearkey.study.phrase_observations import Observations, condition_orders, observations
    from nearkey.study.power_simulation import (
        PowerRow,
        PowerTable,
        StudyTruth,
        draw_study,
        study_power,
        truth_from_pilot,
    )
    from nearkey.study.rates import METRICS
    from nearkey.study.results import (
        ConditionMeasures,
        GroupMeasures,
        LeftOut,
        MeanOfParticipants,
        Measures,
        PhraseMeasures,
    )
    from nearkey.study.study_plan import (
        BlockPlan,
        PhraseDraw,
        StudyPlan,
        draw_phrases,
        plan_study,
        williams_design,
    )
    from nearkey.study.workload_questionnaire import (
        WORKLOAD_PAIRS,
        WORKLOAD_SCALES,
        WorkloadAnswer,
        WorkloadScale,
        WorkloadSummary,
        add_workload_answer,
        read_workload_answers,
        workload_answer,
        workload_summary,
    )

__all__ = [
    "METRICS",
    "WORKLOAD_PAIRS",
    "WORKLOAD_SCALES",
    "Alignments",
    "BlockPlan",
    "ConditionByBlock",
    "ConditionComparison",
    "ConditionComparisons",
    "ConditionMeasures",
    "ConfusionMatrix",
    "Estimate",
    "FTest",
    "FixedEffect",
    "GroupMeasures",
    "LearningCurve",
    "LeftOut",
    "MeanOfParticipants",
    "Measures",
    "MixedEffectsFit",
    "Observations",
    "OrderChecks",
    "PhraseCounts",
    "PhraseDraw",
    "PhraseMeasures",
    "PowerLaw",
    "PowerRow",
    "PowerTable",
    "RepeatedMeasures",
    "StudyHeader",
    "StudyLog",
    "StudyLogRecorder",
    "StudyLogWriter",
    "StudyPlan",
    "StudyRecord",
    "StudyTrial",
    "StudyTruth",
    "WorkloadAnswer",
    "WorkloadScale",
    "WorkloadSummary",
    "add_workload_answer",
    "align",
    "bootstrap_mean",
    "compare_conditions",
    "compared_text",
    "condition_by_block",
    "condition_orders",
    "draw_phrases",
    "draw_study",
    "fit_mixed_model",
    "fit_power_law",
    "holm",
    "learning_curve",
    "measures",
    "observations",
    "order_checks",
    "paired_effect_size",
    "partial_eta_squared",
    "people_for_holm",
    "plan_study",
    "read_workload_answers",
    "repeated_measures",
    "smallest_holm_p",
    "string_distance",
    "strip_end",
    "study_power",
    "truth_from_pilot",
    "williams_design",
    "workload_answer",
    "workload_summary",
]

# Where the names are that are loaded late; what a live study needs comes first.
_LATE = (
    *("study_plan", "workload_questionnaire", "alignment", "phrase_counts", "rates"),
    *("results", "phrase_observations", "learning_curves", "effect_sizes"),
    *("condition_tests", "order_effects", "mixed_models", "power_simulation"),
)


def __getattr__(name: str) -> Any:
    if name in __all__:
        for module in _LATE:
            found = getattr(import_module(f"nearkey.study.{module}"), name, None)
            if found is not None:
                globals()[name] = found
                return found
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
