"""Why a wrist heart rate failed: oracle measures, dose-response, causes, error budget."""

from palpate.explanation.causes import CAUSES, Cause, CauseTable, attribute_causes
from palpate.explanation.evidence import band_evidence, light_level, source_evidence
from palpate.explanation.light_clock import LightClock, light_clock
from palpate.explanation.oracle import CadenceDistance, cadence_distance, oracle_windows

__all__ = [
    "CAUSES",
    "CadenceDistance",
    "Cause",
    "CauseTable",
    "LightClock",
    "attribute_causes",
    "band_evidence",
    "cadence_distance",
    "light_clock",
    "light_level",
    "oracle_windows",
    "source_evidence",
]
