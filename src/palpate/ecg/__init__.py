"""ECG: QRS detection, quality, RR intervals and the beat reference."""

from palpate.ecg.detection import detect_qrs

__all__ = ["detect_qrs"]
