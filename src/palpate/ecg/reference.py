"""The beat reference: beat times from ECG, and per window whether to trust them or why not.

Two detectors of different principle mark the ECG; where they differ, shape and rhythm settle
it (``palpate.ecg.rhythm``); what speaks for each window's count decides on trust
(``palpate.ecg.trust``).

Conventions
-----------
* Times are seconds on the clock of ``start_s``, windows half-open ``[start, end)``.
* No beat is deleted, inserted or moved after the count: intervals that look wrong are
  marked (``palpate.ecg.intervals``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from palpate.conditioning import STEP_S, WINDOW_S
from palpate.ecg.agreement import shared_beats
from palpate.ecg.detection import detect_qrs
from palpate.ecg.intervals import RRClasses, beats_in_between, classify_rr
from palpate.ecg.quality import ecg_windows
from palpate.ecg.rate import beats_per_window, count_between, mean_between, window_heart_rate
from palpate.ecg.rhythm import RhythmPath, rhythm_path
from palpate.ecg.trust import RATE_TOLERANCE_BPM, REGULAR_LOG_RATIO, Evidence, verdict
from palpate.signals import BeatSeries, FloatArray, IntArray, WindowTable
from palpate.validation import checked_columns, checked_rate

OPINIONS = ("slope", "wavelet")
"""The two detectors, the first giving the time of a beat that both mark."""

CONTEXT_S = 11.0
"""How far around a window the detectors' agreement is looked at: 30 s in all for 8 s."""

Columns = dict[str, NDArray[np.generic]]


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
        ``n_marked``              intervals ending in it that are not normal
        ``irregularity``          root mean square of successive RR differences over the
                                  mean RR interval
        ``n_rivals``              places that look strikingly like a beat and are none
        ``agreement``             share of beats that both detectors mark (bSQI)
        ``agreement_around``      the same with 11 s on either side
        ``resemblance``           mean correlation of the beats with their median complex
        ``hr_<detector>_bpm``     what each detector alone would count
        ``dissenter``             detector whose rate differs most, ``""`` if none by more
                                  than the tolerance of 3 bpm
        ``disagreement_bpm``      largest difference, detector minus ``hr_bpm``
        ``trusted``, ``reason``   the verdict: ``reason`` is ``""`` where trusted
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
    (first, second), path = _settled(leads, fs_hz)
    classes = classify_rr(path.time_s)
    starts, ends = quality.start_s - start_s, quality.end_s - start_s
    low, high = beats_per_window(path.time_s, starts, ends)
    rival_low, rival_high = beats_per_window(path.left_out_s, starts, ends)
    table = quality.with_columns(
        **_rates(path.time_s, (first, second), starts, ends),
        **_beat_columns(path, classes, low, high),
        n_rivals=rival_high - rival_low,
        agreement=shared_beats(first, second, starts, ends),
        agreement_around=shared_beats(first, second, starts - CONTEXT_S, ends + CONTEXT_S),
    )
    reason = verdict(table, _evidence(table, path, classes, (low, high)))
    table = table.with_columns(trusted=reason == "", reason=reason)
    return BeatReference(BeatSeries(path.time_s + start_s, classes.label), table)


def reference_beats(ecg: ArrayLike, *, fs_hz: float, start_s: float = 0.0) -> FloatArray:
    """Return the beat times ``(n,)`` of ``beat_reference`` without its verdict, in seconds.

    It takes a third of the time; the arguments are those of ``beat_reference``.

    Raises
    ------
    InputError
        If the signal has another shape or the rate is impossible.
    """
    _, path = _settled(checked_columns(ecg, "ecg"), checked_rate(fs_hz))
    return path.time_s + start_s


def _settled(leads: FloatArray, fs_hz: float) -> tuple[tuple[FloatArray, FloatArray], RhythmPath]:
    """Return each detector's marks in seconds, and what settles their differences."""
    first, second = (detect_qrs(leads, fs_hz=fs_hz, method=name) / fs_hz for name in OPINIONS)
    return (first, second), rhythm_path(leads, first, second, fs_hz=fs_hz)


def _rates(
    beats: FloatArray, marks: tuple[FloatArray, ...], starts: FloatArray, ends: FloatArray
) -> Columns:
    """Return what the reference and each detector count, and who differs most."""
    hr_bpm = window_heart_rate(beats, starts, ends)
    opinions = [window_heart_rate(times, starts, ends) for times in marks]
    apart = np.stack(opinions) - hr_bpm
    size = np.where(np.isnan(opinions) == np.isnan(hr_bpm), 0.0, np.inf)  # one has no rate
    np.abs(apart, out=size, where=np.isfinite(apart))
    worst, rows = np.argmax(size, axis=0), np.arange(starts.size)
    dissent = size[worst, rows] > RATE_TOLERANCE_BPM
    return {
        "hr_bpm": hr_bpm,
        "hr_mean_rr_bpm": window_heart_rate(beats, starts, ends, method="mean_rr"),
        **{f"hr_{name}_bpm": rate for name, rate in zip(OPINIONS, opinions, strict=True)},
        "dissenter": np.where(dissent, np.array(OPINIONS)[worst], ""),
        "disagreement_bpm": apart[worst, rows],
    }


def _beat_columns(path: RhythmPath, classes: RRClasses, low: IntArray, high: IntArray) -> Columns:
    rr = np.diff(path.time_s)
    step = np.sqrt(mean_between(np.diff(rr) ** 2, low, high - 2))
    return {
        "n_beats": high - low,
        "n_marked": count_between(classes.marked, low, high),
        "irregularity": step / mean_between(rr, low, high - 1),
        "resemblance": mean_between(path.resemblance, low, high),
    }


def _evidence(
    table: WindowTable,
    path: RhythmPath,
    classes: RRClasses,
    inside: tuple[IntArray, IntArray],
) -> Evidence:
    low, high = inside
    away = [np.abs(table[f"hr_{name}_bpm"] - table["hr_bpm"]) for name in OPINIONS]
    off_period = np.abs(np.log(np.diff(path.time_s) / path.period_s[1:])) > REGULAR_LOG_RATIO
    suspect = np.isin(classes.label[1:], ("missed", "extra"))
    extra = beats_in_between(path.time_s)
    return Evidence(
        support=np.sum(np.stack(away) <= RATE_TOLERANCE_BPM, axis=0),
        regular=count_between(off_period, low, high - 1) == 0,
        voted=count_between(path.votes == 0, low, high) == 0,
        miscounted=count_between(suspect, low, high - 1) + count_between(extra, low, high) > 0,
        rivalled=table["n_rivals"] > 0,
        agreement_around=table["agreement_around"],
    )
