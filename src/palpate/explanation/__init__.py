"""Why a wrist heart rate failed: oracle measures, dose-response, causes, error budget."""

from palpate.explanation.attribution import (
    BandEvidence,
    WristSignals,
    causes_of,
    examine_band,
)
from palpate.explanation.causes import CAUSES, Cause, CauseTable, attribute_causes
from palpate.explanation.evidence import band_evidence, light_level, source_evidence
from palpate.explanation.light_clock import LightClock, light_clock
from palpate.explanation.oracle import (
    CadenceDistance,
    OracleLight,
    cadence_distance,
    oracle_windows,
)
from palpate.explanation.oracle_split import OracleSplit, oracle_split

__all__ = [
    "CAUSES",
    "BandEvidence",
    "CadenceDistance",
    "Cause",
    "CauseTable",
    "LightClock",
    "OracleLight",
    "OracleSplit",
    "WristSignals",
    "attribute_causes",
    "band_evidence",
    "cadence_distance",
    "causes_of",
    "examine_band",
    "light_clock",
    "light_level",
    "oracle_split",
    "oracle_windows",
    "source_evidence",
]
