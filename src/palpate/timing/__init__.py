"""Clocks: offset and drift between recordings, and how late a device's heart rate is.

Every ``align_*`` function returns a `ClockFit`, whose verdict is *known*, *ambiguous* or
*unknown* with a reason; `relate` tries them all. `latency` and `coverage` describe a
device's own heart rate once the clock is right.
"""

from palpate.timing.accelerations import align_accelerations
from palpate.timing.beats import align_pulses
from palpate.timing.coverage import Coverage, coverage
from palpate.timing.heart_rates import align_heart_rates, rate_of_beats
from palpate.timing.latency import Latency, latency
from palpate.timing.records import ClockFit, ClockPiece, Verdict
from palpate.timing.relating import Acceleration, Evidence, best, relate
from palpate.timing.taps import align_taps, find_taps

__all__ = [
    "Acceleration",
    "ClockFit",
    "ClockPiece",
    "Coverage",
    "Evidence",
    "Latency",
    "Verdict",
    "align_accelerations",
    "align_heart_rates",
    "align_pulses",
    "align_taps",
    "best",
    "coverage",
    "find_taps",
    "latency",
    "rate_of_beats",
    "relate",
]
