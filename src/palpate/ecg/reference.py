"""The beat reference: beat times from ECG, and per window whether to trust them or why not.

Two detectors of different principle mark the ECG (QRS energy, stationary wavelet); where
they differ, shape and rhythm settle it (``palpate.ecg.rhythm``). A window is trusted when
the evidence for its count is independent and consistent:

* both detectors count the reference's rate, and its rhythm is regular, or irregular in a
  clean signal with the detectors agreeing on the beats all around; or
* one of them does, the rhythm is regular, and every beat was marked by a detector.

Anything else is untrusted, as is a window without enough signal, and carries one reason.
Noise alone is no reason: it names the cause where the count is in doubt.

Conventions
-----------
* Times are seconds on the clock of ``start_s``, windows half-open ``[start, end)``.
* No beat is deleted, inserted or moved to please the rhythm after the count: intervals that
  look wrong are marked (``palpate.ecg.intervals``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from palpate.conditioning import STEP_S, WINDOW_S
from palpate.ecg.agreement import shared_beats
from palpate.ecg.detection import METHODS, detect_qrs
from palpate.ecg.intervals import classify_rr
from palpate.ecg.quality import NOISE_LIMITS, SIGNAL_LIMITS, ecg_windows
from palpate.ecg.rate import beats_per_window, window_heart_rate
from palpate.ecg.rhythm import RhythmPath, rhythm_path
from palpate.signals import BeatSeries, BoolArray, FloatArray, IntArray, StrArray, WindowTable
from palpate.validation import checked_columns, checked_rate

OPINIONS = (METHODS[0], METHODS[-1])
"""The two detectors, the first giving the time of a beat that both mark."""

REASONS = (
    "missing",
    "flat",
    "saturated",
    "too few beats",
    "baseline wander",
    "mains",
    "muscle noise",
    "electrode motion",
    "detectors disagree",
    "irregular in doubt",
)
"""Why a window is not trusted; an untrusted window carries one, a trusted one ``""``."""

# Three detectors within 3 bpm of each other are the bar that published comparisons set.
RATE_TOLERANCE_BPM = 3.0
# A missed or extra beat changes an interval by a factor of about 2 (0.69 in the logarithm);
# sinus rhythm stays well within a third of that and a half.
REGULAR_LOG_RATIO = 0.25
# Detectors that agree on 19 of 20 beats around a window know their complexes.
SURE_AGREEMENT = 0.95
CONTEXT_S = 11.0
MIN_BEATS = 3

_SIGNAL_NAMES = {"missing_share": "missing", "flat_share": "flat", "clipped_share": "saturated"}
_NOISE_NAMES = {
    "baseline_ratio": "baseline wander",
    "mains_ratio": "mains",
    "muscle_ratio": "muscle noise",
    "motion_ratio": "electrode motion",
}


@dataclass(frozen=True, slots=True, eq=False)
class BeatReference:
    """Beat times, and the verdict per window.

    Parameters
    ----------
    beats
        Seconds; ``label`` is the kind of the RR interval that ends at the beat.
    windows
        The columns of ``ecg_windows`` and

        ========================= ========================================================
        ``hr_bpm``                counted cycles over their span
        ``hr_mean_rr_bpm``        60 over the mean RR interval that ends in the window
        ``n_beats``               beats in the window
        ``n_marked``              intervals that are not normal (``classify_rr``)
        ``irregularity``          root mean square of successive RR differences over the
                                  mean RR interval
        ``agreement``             share of beats that both detectors mark (bSQI)
        ``resemblance``           mean correlation of the beats with their median complex
        ``hr_<detector>_bpm``     what each detector alone would count
        ``dissenter``             detector whose rate differs most, ``""`` if none by more
                                  than the tolerance
        ``disagreement_bpm``      its rate minus ``hr_bpm``
        ``trusted``, ``reason``   the verdict
        ========================= ========================================================
    """

    beats: BeatSeries
    windows: WindowTable


def beat_reference(
    ecg: ArrayLike,
    *,
    fs_hz: float,
    start_s: float = 0.0,
    window_s: float = WINDOW_S,
    step_s: float = STEP_S,
) -> BeatReference:
    """Find the beats of an ECG and say, window by window, whether to trust their count.

    Parameters
    ----------
    ecg
        ``(n,)`` or ``(n, leads)``, any unit, either polarity; non-finite samples are missing.
    fs_hz
        Samples per second.
    start_s
        Time of the first sample.
    window_s, step_s
        Length of a window and distance between starts, seconds.

    Raises
    ------
    InputError
        If the signal has another shape or the rate is impossible.
    """
    leads, fs_hz = checked_columns(ecg, "ecg"), checked_rate(fs_hz)
    quality = ecg_windows(leads, fs_hz=fs_hz, start_s=start_s, window_s=window_s, step_s=step_s)
    first, second = (detect_qrs(leads, fs_hz=fs_hz, method=name) / fs_hz for name in OPINIONS)
    path = rhythm_path(leads, first, second, fs_hz=fs_hz)
    classes = classify_rr(path.time_s)
    starts, ends = quality.start_s - start_s, quality.end_s - start_s
    table = quality.with_columns(
        **_rates(path.time_s, first, second, starts, ends),
        **_beat_columns(path, classes.marked, starts, ends),
        agreement=shared_beats(first, second, starts, ends),
    )
    around = shared_beats(first, second, starts - CONTEXT_S, ends + CONTEXT_S)
    reason = _reasons(table, _doubts(table, path, around, starts, ends))
    table = table.with_columns(trusted=reason == "", reason=reason)
    return BeatReference(BeatSeries(path.time_s + start_s, classes.label), table)


def _rates(
    beats: FloatArray, first: FloatArray, second: FloatArray, starts: FloatArray, ends: FloatArray
) -> dict[str, NDArray[np.generic]]:
    """Return what the reference and each detector count, and who differs most."""
    hr_bpm = window_heart_rate(beats, starts, ends)
    opinions = [window_heart_rate(marks, starts, ends) for marks in (first, second)]
    apart = np.stack(opinions) - hr_bpm
    size = np.where(np.isfinite(apart), np.abs(apart), np.inf)
    worst = np.argmax(size, axis=0)
    rows = np.arange(starts.size)
    dissent = size[worst, rows] > RATE_TOLERANCE_BPM
    return {
        "hr_bpm": hr_bpm,
        "hr_mean_rr_bpm": window_heart_rate(beats, starts, ends, method="mean_rr"),
        **{f"hr_{name}_bpm": rate for name, rate in zip(OPINIONS, opinions, strict=True)},
        "dissenter": np.where(dissent, np.array(OPINIONS)[worst], ""),
        "disagreement_bpm": apart[worst, rows],
    }


def _beat_columns(
    path: RhythmPath, marked: BoolArray, starts: FloatArray, ends: FloatArray
) -> dict[str, NDArray[np.generic]]:
    low, high = beats_per_window(path.time_s, starts, ends)
    marks = np.concatenate(([0], np.cumsum(marked)))
    rr = np.diff(path.time_s)
    square = np.diff(rr) ** 2
    step = np.sqrt(_mean_between(square, low, np.maximum(high - 2, low)))
    return {
        "n_beats": high - low,
        "n_marked": marks[high] - marks[low],
        "irregularity": step / _mean_between(rr, low, np.maximum(high - 1, low)),
        "resemblance": _mean_between(path.resemblance, low, high),
    }


def _mean_between(values: FloatArray, low: IntArray, high: IntArray) -> FloatArray:
    """Mean of ``values[low:high]`` per window; NaN where that is empty."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    count = high - low
    safe_low, safe_high = np.minimum(low, values.size), np.minimum(high, values.size)
    mean = np.full(low.shape, np.nan)
    np.divide(total[safe_high] - total[safe_low], count, out=mean, where=count > 0)
    return mean


def _doubts(
    table: WindowTable, path: RhythmPath, around: FloatArray, starts: FloatArray, ends: FloatArray
) -> dict[str, BoolArray]:
    """Return which windows fail the verdict's two ways to be trusted, and on what."""
    low, high = beats_per_window(path.time_s, starts, ends)
    off = np.abs(np.log(np.diff(path.time_s) / path.period_s[1:])) > REGULAR_LOG_RATIO
    regular = _mean_between(off.astype(np.float64), low, np.maximum(high - 1, low)) == 0
    unvoted = _mean_between((path.votes == 0).astype(np.float64), low, high) > 0
    support = sum(
        (np.abs(table[f"hr_{name}_bpm"] - table["hr_bpm"]) <= RATE_TOLERANCE_BPM).astype(np.intp)
        for name in OPINIONS
    )
    both = support == 2
    settled = (support == 1) & regular & ~unvoted
    sure = (around >= SURE_AGREEMENT) & (_worst_noise(table)[1] <= 1.0)
    return {
        "detectors disagree": ~both & ~settled,
        "irregular in doubt": both & ~regular & ~sure,
    }


def _reasons(table: WindowTable, doubts: dict[str, BoolArray]) -> StrArray:
    """Return the one reason per window: no signal first, then doubt and what explains it."""
    reason = np.full(len(table), "", dtype=f"<U{max(map(len, REASONS))}")
    for name, limit in SIGNAL_LIMITS.items():
        reason[(reason == "") & (table[name] > limit)] = _SIGNAL_NAMES[name]
    reason[(reason == "") & (table["n_beats"] < MIN_BEATS)] = "too few beats"
    noise, excess = _worst_noise(table)
    for name, doubtful in doubts.items():
        here = doubtful & (reason == "")
        reason[here] = np.where(excess > 1.0, noise, name)[here]
    return reason


def _worst_noise(table: WindowTable) -> tuple[StrArray, FloatArray]:
    """Return the kind of noise that is largest for its limit, and by what factor."""
    excess = np.stack([table[name] / limit for name, limit in NOISE_LIMITS.items()])
    excess = np.where(np.isfinite(excess), excess, 0.0)
    names = np.array([_NOISE_NAMES[name] for name in NOISE_LIMITS])
    return names[np.argmax(excess, axis=0)], excess.max(axis=0)
