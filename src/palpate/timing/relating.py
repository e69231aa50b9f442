"""Relate two recordings' clocks by whatever they share.

Ways, the sharper ones first
----------------------------
1. taps, where both have an accelerometer: within some milliseconds;
2. acceleration against acceleration: within some 10 ms;
3. pulses against beats: within the uncertainty of the pulse arrival time, 0.1 s. Raw light
   falls with every pulse, and much of what is exported was turned over: both ways are
   tried, and the one whose peaks follow the beats more closely counts;
4. heart rate against heart rate: within about half a second, and a device's own delay is
   in it. Its smoothing is not, if it averages the past: a first-order smoothing is fitted
   and taken out (`latency`), so only a pure delay is left. A device may as well stamp the
   middle of what it averages, so the interval reaches from one to the other.

All are tried: where two know the clock they check each other, and what the heart rates
lack against a sharper clock is the device's lateness.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from palpate.signals import FloatArray
from palpate.timing import accelerations, beats, heart_rates, taps
from palpate.timing.clock import MAX_DRIFT_PPM
from palpate.timing.latency import latency
from palpate.timing.records import ClockFit, ClockPiece, Verdict

DELAY_CAVEAT = "takes a pure delay of either device for clock"
SMOOTHING_CAVEAT = f"{DELAY_CAVEAT}, and its smoothing for an average of the past"


@dataclass(frozen=True, slots=True, eq=False)
class Acceleration:
    """An accelerometer ``values (n, axes)`` at ``fs_hz`` from ``start_s`` on."""

    values: FloatArray
    fs_hz: float
    start_s: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What of one recording can be held against another; seconds on its own clock.

    ``beat_s`` are R peaks, ``pulse_s`` systolic peaks and ``turned_pulse_s`` the same of the
    light turned over; ``rate_s`` and ``rate_bpm`` are readings of a heart rate. None for what
    the recording lacks.
    """

    acceleration: Acceleration | None = None
    beat_s: FloatArray | None = None
    pulse_s: FloatArray | None = None
    turned_pulse_s: FloatArray | None = None
    rate_s: FloatArray | None = None
    rate_bpm: FloatArray | None = None

    def rates(self) -> tuple[FloatArray, FloatArray] | None:
        """Return times and values of a heart rate, from beats where there are any."""
        if self.beat_s is not None:
            return heart_rates.rate_of_beats(self.beat_s)
        if self.rate_s is not None and self.rate_bpm is not None:
            return self.rate_s, self.rate_bpm
        return None


def relate(
    reference: Evidence,
    recording: Evidence,
    *,
    max_offset_s: float | None = None,
    max_drift_ppm: float = MAX_DRIFT_PPM,
) -> tuple[ClockFit, ...]:
    """Return a fit per way in which the two can be compared, the sharpest way first.

    Empty where they share nothing. `best` picks the one to use.
    """
    within: dict[str, Any] = {"max_offset_s": max_offset_s, "max_drift_ppm": max_drift_ppm}
    fits = []
    if reference.acceleration is not None and recording.acceleration is not None:
        fits += _by_movement(reference.acceleration, recording.acceleration, within)
    if reference.beat_s is not None:
        ways = [p for p in (recording.pulse_s, recording.turned_pulse_s) if p is not None]
        found = [beats.align_pulses(reference.beat_s, pulse_s, **within) for pulse_s in ways]
        fits += [max(found, key=_correlation)] if found else []
    their_rates, our_rates = reference.rates(), recording.rates()
    if their_rates is not None and our_rates is not None:
        by_rate = heart_rates.align_heart_rates(*their_rates, *our_rates, **within)
        fits.append(_without_smoothing(by_rate, their_rates, our_rates))
    return tuple(fits)


def best(fits: tuple[ClockFit, ...]) -> ClockFit | None:
    """Return the known fit with the narrowest offset interval, heart rates last.

    Where none is known, the first ambiguous one, else the first; None of no fits.
    """
    known = [fit for fit in fits if fit.verdict is Verdict.KNOWN]
    if known:
        return min(known, key=_uncertainty)
    ambiguous = [fit for fit in fits if fit.verdict is Verdict.AMBIGUOUS]
    return next(iter((*ambiguous, *fits)), None)


def _uncertainty(fit: ClockFit) -> tuple[bool, float]:
    """Order known fits: those that take a delay for clock come last."""
    low_s, high_s = (float("nan"),) * 2 if fit.longest is None else fit.longest.offset_interval_s
    return fit.method == heart_rates.METHOD, high_s - low_s


def _correlation(fit: ClockFit) -> float:
    """Return the best correlation of a fit's pieces; 0 without any."""
    return max((piece.correlation for piece in fit.pieces), default=0.0)


def _by_movement(
    reference: Acceleration, recording: Acceleration, within: dict[str, Any]
) -> list[ClockFit]:
    """Compare two accelerometers by taps and by movement, as far as their rates allow."""
    slower_hz = min(reference.fs_hz, recording.fs_hz)
    sampled = {
        "reference_fs_hz": reference.fs_hz,
        "fs_hz": recording.fs_hz,
        "reference_start_s": reference.start_s,
        "start_s": recording.start_s,
    }
    fits = []
    if slower_hz >= taps.MIN_RATE_HZ:
        drift_ppm = within["max_drift_ppm"]
        found = taps.align_taps(
            reference.values, recording.values, **sampled, max_drift_ppm=drift_ppm
        )
        fits.append(_near(found, within["max_offset_s"]))
    if slower_hz >= accelerations.MIN_RATE_HZ:
        fits.append(
            accelerations.align_accelerations(
                reference.values, recording.values, **sampled, **within
            )
        )
    return fits


def _near(fit: ClockFit, max_offset_s: float | None) -> ClockFit:
    if max_offset_s is None or all(abs(p.middle_lag_s) <= max_offset_s for p in fit.pieces):
        return fit
    return ClockFit(
        fit.method, Verdict.UNKNOWN, f"the taps lie more than {max_offset_s:g} s apart", 0.0
    )


def _without_smoothing(
    fit: ClockFit,
    reference: tuple[FloatArray, FloatArray],
    recording: tuple[FloatArray, FloatArray],
) -> ClockFit:
    """Take out of a heart-rate clock what one device's smoothing made it late."""
    if fit.verdict is not Verdict.KNOWN:
        return fit
    at_s = fit.reference_s(recording[0])
    inside = np.isfinite(at_s)
    found = latency(*reference, at_s[inside], recording[1][inside])
    if found.reason:
        return replace(fit, caveat=f"{DELAY_CAVEAT}, and its smoothing too")
    pieces = tuple(
        _moved(piece, -found.delay_s, found.delay_interval_s[1] - found.delay_s)
        for piece in fit.pieces
    )
    return replace(fit, pieces=pieces, caveat=SMOOTHING_CAVEAT)


def _moved(piece: ClockPiece, by_s: float, half_s: float) -> ClockPiece:
    """Return the piece with ``by_s`` more offset, known to ``half_s`` besides.

    Its interval still holds the offset before, which is right where nothing was late.
    """
    low_s, high_s = piece.offset_interval_s
    offset_s, spread_s = piece.offset_s + by_s, float(np.hypot((high_s - low_s) / 2.0, half_s))
    interval_s = (min(low_s, offset_s - spread_s), max(high_s, offset_s + spread_s))
    return replace(piece, offset_s=offset_s, offset_interval_s=interval_s)
