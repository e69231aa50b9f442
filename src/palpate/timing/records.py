"""What the timing room takes and returns.

Conventions
-----------
* The clock law is the session's: ``reference_s = recording_s * (1 + drift_ppm * 1e-6) +
  offset_s``. *Recording seconds* are those of the recording whose clock is asked for;
  *reference seconds* are those of the recording it is laid on.
* A lag is ``reference_s - recording_s`` of the same instant.
* Intervals ``(low, high)`` hold the true value with 95 % if the stated model holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from palpate.signals import FloatArray
from palpate.validation import checked_rate

UNDEFINED = (float("nan"), float("nan"))


class Verdict(StrEnum):
    """What the data say about a clock."""

    KNOWN = "known"
    AMBIGUOUS = "ambiguous"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """One uniformly sampled feature ``values (n,)``; NaN where missing; ``start_s`` of sample 0."""

    values: FloatArray
    fs_hz: float
    start_s: float = 0.0

    def __post_init__(self) -> None:
        checked_rate(self.fs_hz)

    @property
    def duration_s(self) -> float:
        """Seconds covered, ``n / fs_hz``."""
        return float(self.values.size / self.fs_hz)

    def times_s(self) -> FloatArray:
        """Second of every sample, ``(n,)``."""
        return self.start_s + np.arange(self.values.size) / self.fs_hz


@dataclass(frozen=True, slots=True)
class ClockPiece:
    """The clock over ``[start_s, end_s)`` recording seconds, during which it ran on.

    ``correlation`` is the median over the segments that agree; ``agreeing`` of
    ``segments`` have their own best lag on the line.
    """

    start_s: float
    end_s: float
    offset_s: float
    drift_ppm: float
    offset_interval_s: tuple[float, float]
    drift_interval_ppm: tuple[float, float]
    correlation: float
    agreeing: int
    segments: int

    @property
    def drift(self) -> float:
        """Drift in seconds per second."""
        return self.drift_ppm * 1e-6

    @property
    def middle_lag_s(self) -> float:
        """``reference_s - recording_s`` at the middle of the piece."""
        return self.offset_s + self.drift * (self.start_s + self.end_s) / 2.0

    def to_reference(self, recording_s: FloatArray) -> FloatArray:
        """Take recording seconds to reference seconds by this piece's clock."""
        return recording_s * (1.0 + self.drift) + self.offset_s


@dataclass(frozen=True, slots=True)
class ClockFit:
    """How a recording's clock relates to the reference's, or why that cannot be said.

    Parameters
    ----------
    method
        What was compared.
    verdict, reason
        The reason is empty where the clock is known.
    confidence
        0..1; ``1 - p`` of the chance test, scaled down as the runner-up comes near.
    pieces
        In time order; more than one where the recording paused. Empty if unknown.
    alternatives_s
        Lags (at the middle of the recording) that fit about as well.
    caveat
        What the method cannot tell from the clock; empty if nothing.
    """

    method: str
    verdict: Verdict
    reason: str
    confidence: float
    pieces: tuple[ClockPiece, ...] = ()
    alternatives_s: tuple[float, ...] = ()
    caveat: str = ""

    @property
    def longest(self) -> ClockPiece | None:
        """The piece that covers most time; None where the clock is not known."""
        if self.verdict is not Verdict.KNOWN:
            return None
        return max(self.pieces, key=lambda piece: piece.end_s - piece.start_s)

    @property
    def offset_s(self) -> float:
        """Offset of the longest piece; NaN where the clock is not known."""
        return float("nan") if self.longest is None else self.longest.offset_s

    @property
    def drift_ppm(self) -> float:
        """Drift of the longest piece; NaN where the clock is not known."""
        return float("nan") if self.longest is None else self.longest.drift_ppm

    def reference_s(self, recording_s: FloatArray) -> FloatArray:
        """Take recording seconds ``(n,)`` to reference seconds; NaN outside every piece."""
        result = np.full(recording_s.shape, np.nan)
        if self.verdict is Verdict.KNOWN:
            for piece in self.pieces:
                inside = (recording_s >= piece.start_s) & (recording_s < piece.end_s)
                result[inside] = piece.to_reference(recording_s[inside])
        return result


def unknown(method: str, reason: str, *, confidence: float = 0.0) -> ClockFit:
    """Return the fit that says the data cannot tell."""
    return ClockFit(method, Verdict.UNKNOWN, reason, confidence)
