"""How far an estimate is from its reference: beats, heart rates, detectors on databases."""

from palpate.evaluation.agreement import ErrorSummary, error_summary, tolerance_bpm
from palpate.evaluation.annotations import Annotations
from palpate.evaluation.bland_altman import (
    LimitsOfAgreement,
    limits_of_agreement,
    repeated_limits_of_agreement,
)
from palpate.evaluation.concordance import (
    Concordance,
    IntraclassCorrelation,
    concordance,
    intraclass_correlations,
)
from palpate.evaluation.ec57 import Ec57Result, compare_ec57
from palpate.evaluation.ec57_heart_rate import HeartRateError, heart_rate_error
from palpate.evaluation.ec57_statistics import (
    BeatStatistics,
    average_statistics,
    beat_statistics,
    class_sensitivity,
    gross_intervals,
    gross_statistics,
)
from palpate.evaluation.matching import BeatMatch, match_beats

__all__ = [
    "Annotations",
    "BeatMatch",
    "BeatStatistics",
    "Concordance",
    "Ec57Result",
    "ErrorSummary",
    "HeartRateError",
    "IntraclassCorrelation",
    "LimitsOfAgreement",
    "average_statistics",
    "beat_statistics",
    "class_sensitivity",
    "compare_ec57",
    "concordance",
    "error_summary",
    "gross_intervals",
    "gross_statistics",
    "heart_rate_error",
    "intraclass_correlations",
    "limits_of_agreement",
    "match_beats",
    "repeated_limits_of_agreement",
    "tolerance_bpm",
]
