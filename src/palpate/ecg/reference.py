"""The beat reference: beat times from ECG, and per window whether to trust them and why not.

Detectors of different principle run on the ECG. Where they count the same rate, the beats
fit their neighbourhood and there is signal, the window is trusted; otherwise one reason is
given.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from palpate.conditioning import STEP_S, WINDOW_S
from palpate.ecg.detection import METHODS, detect_qrs
from palpate.ecg.intervals import classify_rr
from palpate.ecg.quality import NOISE_LIMITS, SHARE_LIMIT, ecg_windows
from palpate.ecg.rate import beats_per_window, window_heart_rate
from palpate.signals import BeatSeries, FloatArray, StrArray, WindowTable

RATE_TOLERANCE_BPM = 3.0
_MATCH_S = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class BeatReference:
    """Beat times with their labels, and the verdict per window."""

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
    """Return beats and trust-marked windows of an ECG ``(n,)`` or ``(n, leads)``."""
    quality = ecg_windows(ecg, fs_hz=fs_hz, start_s=start_s, window_s=window_s, step_s=step_s)
    beats = start_s + detect_qrs(ecg, fs_hz=fs_hz, method=METHODS[0]) / fs_hz
    second = start_s + detect_qrs(ecg, fs_hz=fs_hz, method=METHODS[-1]) / fs_hz
    classes = classify_rr(beats)
    starts, ends = quality.start_s, quality.end_s
    first, last = beats_per_window(beats, starts, ends)
    hr_bpm = window_heart_rate(beats, starts, ends)
    second_bpm = window_heart_rate(second, starts, ends)
    marks = np.concatenate(([0], np.cumsum(classes.marked)))
    table = quality.with_columns(
        hr_bpm=hr_bpm,
        hr_mean_rr_bpm=window_heart_rate(beats, starts, ends, method="mean_rr"),
        n_beats=last - first,
        n_marked=marks[last] - marks[first],
        second_hr_bpm=second_bpm,
        disagreement_bpm=second_bpm - hr_bpm,
        agreement=_agreement(beats, second, starts, ends),
        irregularity=_irregularity(beats, first, last),
    )
    reason = _reasons(table)
    table = table.with_columns(trusted=reason == "", reason=reason)
    return BeatReference(BeatSeries(beats, classes.label), table)


def _agreement(
    beats: FloatArray, second: FloatArray, starts: FloatArray, ends: FloatArray
) -> FloatArray:
    """Share of all beats in a window that both detectors mark (bSQI)."""
    both = np.concatenate(([0], np.cumsum(_has_neighbour(beats, second))))
    first, last = beats_per_window(beats, starts, ends)
    low, high = beats_per_window(second, starts, ends)
    matched = both[last] - both[first]
    union = (last - first) + (high - low) - matched
    share = np.full(starts.shape, np.nan)
    return np.asarray(np.divide(matched, union, out=share, where=union > 0))


def _has_neighbour(beats: FloatArray, second: FloatArray) -> np.ndarray:
    if second.size == 0:
        return np.zeros(beats.shape, dtype=np.bool_)
    after = np.clip(np.searchsorted(second, beats), 1, second.size - 1) if second.size > 1 else 0
    gap = np.minimum(np.abs(second[after] - beats), np.abs(second[after - 1] - beats))
    return np.asarray(gap <= _MATCH_S)


def _irregularity(beats: FloatArray, first: np.ndarray, last: np.ndarray) -> FloatArray:
    """Coefficient of variation of the RR intervals in each window."""
    result = np.full(first.shape, np.nan)
    for row in np.flatnonzero(last - first >= 3):
        rr = np.diff(beats[first[row] : last[row]])
        result[row] = rr.std() / rr.mean()
    return result


def _reasons(table: WindowTable) -> StrArray:
    reason = np.full(len(table), "", dtype="<U24")
    checks = {
        "missing": table["missing_share"] > SHARE_LIMIT,
        "flat": table["flat_share"] > SHARE_LIMIT,
        "saturated": table["clipped_share"] > SHARE_LIMIT,
        "too few beats": table["n_beats"] < 2,
        "detectors disagree": ~(np.abs(table["disagreement_bpm"]) <= RATE_TOLERANCE_BPM),
    }
    for name, bad in checks.items():
        reason[bad & (reason == "")] = name
    disputed = reason == "detectors disagree"
    for name, limit in NOISE_LIMITS.items():
        reason[disputed & (table[name] > limit)] = name.removesuffix("_ratio")
    return reason
