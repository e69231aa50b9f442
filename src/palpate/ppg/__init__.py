"""What the light carried: conditioning, pulse detection, perfusion and quality."""

from palpate.ppg.features import ppg_windows
from palpate.ppg.preparation import condition_ppg
from palpate.ppg.pulses import METHODS, detect_pulses

__all__ = ["METHODS", "condition_ppg", "detect_pulses", "ppg_windows"]
