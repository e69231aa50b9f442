"""How far an estimate is from its reference: beats, heart rates, detectors on databases."""

from palpate.evaluation.ec57 import Annotations, Ec57Result, compare_ec57
from palpate.evaluation.ec57_statistics import (
    BeatStatistics,
    average_statistics,
    beat_statistics,
    class_sensitivity,
    gross_statistics,
)
from palpate.evaluation.matching import BeatMatch, match_beats

__all__ = [
    "Annotations",
    "BeatMatch",
    "BeatStatistics",
    "Ec57Result",
    "average_statistics",
    "beat_statistics",
    "class_sensitivity",
    "compare_ec57",
    "gross_statistics",
    "match_beats",
]
