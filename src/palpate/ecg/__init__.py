"""ECG: QRS detection, quality, RR intervals and the beat reference."""

from palpate.ecg.detection import detect_qrs
from palpate.ecg.intervals import RRClasses, classify_rr
from palpate.ecg.quality import ecg_windows
from palpate.ecg.rate import window_heart_rate
from palpate.ecg.reference import BeatReference, beat_reference, reference_beats
from palpate.ecg.refinement import refine_peaks

__all__ = [
    "BeatReference",
    "RRClasses",
    "beat_reference",
    "classify_rr",
    "detect_qrs",
    "ecg_windows",
    "reference_beats",
    "refine_peaks",
    "window_heart_rate",
]
