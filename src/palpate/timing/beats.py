"""Clock from pulses against heart beats: the light at the wrist and the chest's ECG.

* Coarse view: the slope of the beat-to-beat rate, as in `heart_rates`.
* Fine view: a train of short bells, one per beat, which are correlated as they are. A
  steady heart fits one beat further almost as well; the small differences from beat to
  beat tell over the recording, and where they do not, the verdict is *ambiguous*.

The pulse reaches the wrist some time after the R peak, and nothing in the two series tells
this pulse arrival time from a clock that is off. It is taken out as ``arrival_s``, and the
intervals are widened by what it may differ from that, and change by, between people and
within an outing: `ARRIVAL_SPREAD_S` and `ARRIVAL_CHANGE_S` (from memory: a quarter of a
second from R peak to pulse foot at the wrist, a tenth more to its peak, less in exercise).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import ndimage

from palpate.signals import FloatArray
from palpate.timing.clock import MAX_DRIFT_PPM, Rules, Views, fit_clock
from palpate.timing.heart_rates import rate_of_beats, rate_slope, regular_rate
from palpate.timing.records import ClockFit, ClockPiece, Trace, unknown
from palpate.validation import checked_times

METHOD = "pulses"
ARRIVAL_S = 0.35
ARRIVAL_SPREAD_S = 0.1
ARRIVAL_CHANGE_S = 0.1
FINE_HZ = 50.0
BELL_S = 0.03
RULES = Rules(
    coarse_segment_s=120.0, least_segment_s=30.0, fine_segment_s=30.0, reach_s=1.5, sharp=True
)
MIN_BEATS = 60


def align_pulses(
    beat_s: FloatArray,
    pulse_s: FloatArray,
    *,
    arrival_s: float = ARRIVAL_S,
    max_offset_s: float | None = None,
    max_drift_ppm: float = MAX_DRIFT_PPM,
) -> ClockFit:
    """Fit the clock of a recording of pulses to that of an ECG.

    Parameters
    ----------
    beat_s, pulse_s
        Seconds of R peaks ``(n,)`` and of systolic peaks ``(m,)``, each on its own clock.
    arrival_s
        Seconds from R peak to systolic peak; its uncertainty is in the offset's interval.
    max_offset_s, max_drift_ppm
        As in `fit_clock`.
    """
    beat_s, pulse_s = checked_times(beat_s, "beats"), checked_times(pulse_s, "pulses")
    fewest = min(beat_s.size, pulse_s.size)
    if fewest < MIN_BEATS:
        return unknown(METHOD, f"there are {fewest} beats or pulses; {MIN_BEATS} are needed")
    found = fit_clock(
        _views(beat_s),
        _views(pulse_s),
        method=METHOD,
        rules=RULES,
        max_offset_s=max_offset_s,
        max_drift_ppm=max_drift_ppm,
    )
    return replace(
        found,
        caveat=f"takes the pulse to arrive {arrival_s:g} s after the R peak",
        pieces=tuple(_without_arrival(piece, arrival_s) for piece in found.pieces),
        alternatives_s=tuple(lag + arrival_s for lag in found.alternatives_s),
    )


def _views(time_s: FloatArray) -> Views:
    return Views(rate_slope(regular_rate(*rate_of_beats(time_s))), _train(time_s))


def _train(time_s: FloatArray) -> Trace:
    """Return a bell of standard deviation `BELL_S` per beat; beats share between samples."""
    place = (time_s - time_s[0]) * FINE_HZ
    left = np.floor(place).astype(np.intp)
    values = np.zeros(int(left[-1]) + 2)
    np.add.at(values, left, 1.0 - (place - left))
    np.add.at(values, left + 1, place - left)
    bells = ndimage.gaussian_filter1d(values, BELL_S * FINE_HZ, mode="constant")
    return Trace(bells, FINE_HZ, float(time_s[0]))


def _without_arrival(piece: ClockPiece, arrival_s: float) -> ClockPiece:
    """Take the pulse arrival time out of a piece, and widen its intervals by the rest."""
    change_ppm = 1e6 * ARRIVAL_CHANGE_S / max(piece.end_s - piece.start_s, 1.0)
    low_s, high_s = piece.offset_interval_s
    low_ppm, high_ppm = piece.drift_interval_ppm
    return replace(
        piece,
        offset_s=piece.offset_s + arrival_s,
        offset_interval_s=(
            low_s + arrival_s - ARRIVAL_SPREAD_S,
            high_s + arrival_s + ARRIVAL_SPREAD_S,
        ),
        drift_interval_ppm=(low_ppm - change_ppm, high_ppm + change_ppm),
    )
