"""What each cause is judged by: one table of named evidence per band, and one per source.

A band's evidence is what happened to its light whatever was made of it; a source's adds what
only its own estimates tell. Every column is NaN where it cannot be measured, which speaks
for no cause.

Columns of a band
-----------------
those of its motion, light and oracle tables, and

===================== ===========================================================
level_move            range of the light's slow level in the window, in usual pulse
                      heights; breathing and vessel tone stay near 1
level_unusual         the same range over its usual value
swing_share           height of the light's swing over its usual height
clock_offset_s        how much the light's clock is off here (``light_clock``)
clock_within_s        how far off that may be
===================== ===========================================================

Usual is the median over the windows whose light carries the true rate clearly
(`CLEAR_DB`).

Columns of a source
-------------------
those of its band, as an estimator remembers them: what it shows now comes from the light of
`MEMORY_S` before as well, so measures of light and motion are medians over that time (the
largest for clipping and missing samples). Besides,

===================== ===========================================================
repaired_bpm          estimate less the reference on the repaired clock
late_s, late_bpm      by how many seconds the estimates around here trail the
                      reference, and the estimate's error against that earlier reference;
                      NaN where more delay would serve ever better, as of a rate that stands
late_gain             share of the squared error around here that the delay removes
held_bpm              by how much that earlier reference moved while the estimate stood still
held_s                how long it stands around here, within `STANDING_BPM` of where it stopped
held_from_bpm         the reference when it stopped
held_carried_share    share of that time for which the light carried the pulse (``oracle_split``)
held_prominence_db    mean of ``oracle_prominence_db`` over that time
cadence_bpm, ..._multiple  distance of the estimate from the nearest multiple of cadence
estimate_snr_db, reference_snr_db  the lines at the estimate and at the true rate in one
                      channel, that in which either stands out most (``OracleLight.compared``)
estimate_lost_db, cancelling_gain_db  what the first loses there and the second gains when
                      what the accelerometer predicts is taken out of the light
harmonic_share        share of half a minute's windows outside tolerance whose estimates are
                      near half or double the reference
others_bpm            median distance of the other sources from this estimate
reference_jump_bpm    reference less its own median over a minute
===================== ===========================================================
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from palpate.conditioning import SignalWindows, bridge_gaps, resample, zero_phase
from palpate.conditioning.statistics import moving_mean, ratio
from palpate.evaluation.scoring import UNTRUSTED
from palpate.explanation.beat_rates import rate_between
from palpate.explanation.light_clock import LightClock
from palpate.explanation.oracle import cadence_distance
from palpate.explanation.oracle_split import FALSE_ALARM
from palpate.signals import BoolArray, FloatArray, IntArray, WindowTable
from palpate.validation import checked_columns, checked_rate

LEVEL_FS_HZ = 16.0
LEVEL_HZ = 0.4
"""Slower is level, faster is pulse (a pulse of 40 bpm lies at 0.67 Hz)."""
SWING_LOW_HZ, SWING_HIGH_HZ = 0.5, 5.0
LATE_S = np.arange(1.0, 45.5, 0.5)
"""Delays that are tried; devices average over 5 to 30 s (from memory), and one that doubts a
change until it lasts is later still (own choice)."""
STANDING_BPM = 0.5
"""Half a reading's rounding."""
HARMONIC_OFF = 0.05
"""An estimate so near to half or double the reference is there (own choice)."""
LOCKED_S = 30.0
"""A lock lasts; longer than any smoothing (own choice)."""
NEIGHBOURHOOD_S = 60.0
"""A delay belongs to a device's way of working, not to one window (own choice)."""
WORST_RATIO = 2.0
"""Errors count up to this many tolerances, so that stretches on a wrong rate do not rule."""
CLEAR_DB = 12.0
"""A motion line as strong as the pulse leaves it 10 dB over the rest; above, nothing rivals it."""
MEMORY_S = 10.0
"""Estimators smooth over some 10 s (common practice, no source)."""
REMEMBERED = (
    "oracle_snr_db",
    "acc_explained_share",
    "shake_rms_g",
    "swing_rms_g",
    "periodicity",
    "level_move",
    "level_unusual",
    "swing_share",
    "perfusion_index_pct",
    "irregularity",
)
NOT_FORGOTTEN = ("clipped_share", "missing_share")


def light_level(
    ppg: FloatArray, *, fs_hz: float, start_s: float, window_s: float, step_s: float
) -> WindowTable:
    """Measure how far the light's level moves and how high it swings, in the light's unit.

    Columns ``level_range`` and ``swing_height``: of several channels, those of the one whose
    level moves most for its swing.
    """
    fs_hz, ppg = checked_rate(fs_hz), checked_columns(ppg, "ppg")
    windows = SignalWindows.of(
        ppg.shape[0], fs_hz=fs_hz, start_s=start_s, window_s=window_s, step_s=step_s
    )
    if len(windows) == 0:
        return windows.table({"level_range": np.empty(0), "swing_height": np.empty(0)})
    slow = resample(bridge_gaps(ppg)[0], fs_hz=fs_hz, to_hz=LEVEL_FS_HZ)
    inside = windows.at_rate(LEVEL_FS_HZ, slow.shape[0])
    level = zero_phase(slow, fs_hz=LEVEL_FS_HZ, high_hz=LEVEL_HZ)
    swing = zero_phase(slow, fs_hz=LEVEL_FS_HZ, low_hz=SWING_LOW_HZ, high_hz=SWING_HIGH_HZ)
    height = 2.0 * np.sqrt(2.0) * inside.of_samples(swing).std(axis=1)
    move = np.ptp(inside.of_samples(level), axis=1)
    channel = int(np.argmax(np.median(ratio(move, height, undefined=0.0), axis=0)))
    return windows.table({"level_range": move[:, channel], "swing_height": height[:, channel]})


def band_evidence(
    grid: WindowTable, tables: Sequence[WindowTable], clock: LightClock
) -> WindowTable:
    """Lay a band's tables on one grid of windows, with its clock's error and its usual pulse."""
    evidence = WindowTable(grid.start_s, grid.end_s)
    for table in tables:
        evidence = evidence.joined(table)
    off_s = clock.right_s(grid.start_s) - grid.start_s
    columns = {
        "clock_offset_s": off_s if clock.known else np.full(off_s.shape, np.nan),
        "clock_within_s": np.full(off_s.shape, clock.within_s),
    }
    if "swing_height" in evidence:
        height, move = evidence["swing_height"], evidence["level_range"]
        clear = evidence["oracle_snr_db"] >= CLEAR_DB
        columns["swing_share"] = ratio(height, _usual(height, clear))
        columns["level_move"] = ratio(move, _usual(height, clear))
        columns["level_unusual"] = ratio(move, _usual(move, clear))
    return evidence.with_columns(**columns)


def _usual(values: FloatArray, clear: BoolArray) -> FloatArray:
    """Return the median over clear windows, over all where none is; a 0-d array."""
    among = values[clear] if clear.any() else values[np.isfinite(values)]
    return np.array(np.median(among) if among.size else np.nan)


def source_evidence(
    scored: WindowTable,
    band: WindowTable,
    reference: WindowTable,
    beat_time_s: FloatArray,
    *,
    lines: WindowTable | None = None,
    others_bpm: Sequence[FloatArray] = (),
) -> WindowTable:
    """Put together everything that the causes of one source's errors are judged by.

    Parameters
    ----------
    scored
        The source's windows as from ``score_windows``; the grid of all other tables.
    band
        As from ``band_evidence``.
    reference
        The reference's windows as from ``beat_reference``.
    beat_time_s
        Its beats in session seconds.
    lines
        This source's estimates held against the reference, as from ``OracleLight.compared``;
        None where there is no light.
    others_bpm
        Estimates of every other source on the same grid.
    """
    evidence = scored.joined(band)
    evidence = evidence.with_columns(
        **{name: reference[name] for name in reference if name not in evidence}
    )
    evidence = _remembered(evidence)
    evidence = evidence.with_columns(**_timing(evidence, beat_time_s))
    evidence = evidence.with_columns(**_standing(evidence))
    estimate = evidence["estimate_bpm"]
    nearest = cadence_distance(estimate, _column(evidence, "cadence_per_min"))
    columns = {
        "cadence_bpm": nearest.distance_bpm,
        "cadence_multiple": nearest.multiple,
        "harmonic_share": _harmonic_share(evidence),
        "others_bpm": _others(estimate, others_bpm),
        "reference_jump_bpm": _jump(evidence),
    }
    evidence = evidence.with_columns(**columns)
    return evidence if lines is None else evidence.joined(lines)


def _column(table: WindowTable, name: str) -> FloatArray:
    """Return a column, NaN where the band lacks the sensor for it."""
    return np.asarray(table[name]) if name in table else np.full(len(table), np.nan)


def _remembered(evidence: WindowTable) -> WindowTable:
    """Replace measures of single windows by what an estimator's memory makes of them."""
    depth = evidence.count_in(MEMORY_S)
    columns = {}
    for names, reduce in ((REMEMBERED, np.nanmedian), (NOT_FORGOTTEN, np.nanmax)):
        for name in (n for n in names if n in evidence):
            padded = np.pad(evidence[name], (depth - 1, 0), constant_values=np.nan)
            views = sliding_window_view(padded, depth)
            known = np.isfinite(evidence[name])
            columns[name] = np.full(len(evidence), np.nan)
            columns[name][known] = reduce(views[known], axis=1)
    return evidence.with_columns(**columns)


def _timing(evidence: WindowTable, beat_time_s: FloatArray) -> dict[str, FloatArray]:
    """Return how the estimates fare against the reference at other moments."""
    off_s = np.nan_to_num(evidence["clock_offset_s"])
    start_s, end_s = evidence.start_s + off_s, evidence.end_s + off_s
    estimate, tolerance = evidence["estimate_bpm"], evidence["tolerance_bpm"]
    trusted = evidence["status"] != UNTRUSTED
    repaired = estimate - rate_between(beat_time_s, start_s, end_s)
    error = np.stack([estimate - rate_between(beat_time_s, start_s - s, end_s - s) for s in LATE_S])
    around = _around(evidence)
    now = np.where(trusted, _squared_ratio(repaired, tolerance), np.nan)
    then = np.where(trusted, _squared_ratio(error, tolerance), np.nan)
    then = np.where(np.isnan(then), now, then)  # what cannot be checked explains nothing
    cost = np.stack([moving_mean(row, around) for row in then])
    measured = np.isfinite(cost).all(axis=0)
    best = np.argmin(np.where(measured, cost, 0.0), axis=0)
    rows = np.arange(best.size)
    known = measured & (best < LATE_S.size - 1)  # still falling at the last is no minimum
    late = np.where(measured, error[best, rows], np.nan)
    return {
        "repaired_bpm": np.where(np.isfinite(evidence["clock_offset_s"]), repaired, np.nan),
        "late_s": np.where(known, LATE_S[best], np.nan),
        "late_bpm": np.where(known, late, np.nan),
        "held_bpm": _held_bpm(estimate, late),
        "late_gain": np.where(
            known, 1.0 - ratio(cost[best, rows], moving_mean(now, around)), np.nan
        ),
    }


def _squared_ratio(error_bpm: FloatArray, tolerance_bpm: FloatArray) -> FloatArray:
    """Return squared errors in tolerances, so that what is within hardly counts."""
    return np.asarray(np.minimum(np.abs(error_bpm) / tolerance_bpm, WORST_RATIO) ** 2)


def _around(windows: WindowTable, span_s: float = NEIGHBOURHOOD_S) -> int:
    """Return how many windows make up a span around one, odd."""
    return 2 * round(span_s / windows.step_s / 2.0) + 1 if len(windows) > 1 else 1


def _held_bpm(estimate: FloatArray, late_bpm: FloatArray) -> FloatArray:
    """Return the range of ``late_bpm`` over each run of standing estimates, ``(n,)``."""
    if estimate.size == 0:
        return np.empty(0)
    begins = np.ones(estimate.size, dtype=bool)
    begins[1:] = ~(np.abs(np.diff(estimate)) <= STANDING_BPM)
    first = np.flatnonzero(begins)
    high = np.maximum.reduceat(np.where(np.isfinite(late_bpm), late_bpm, -np.inf), first)
    low = np.minimum.reduceat(np.where(np.isfinite(late_bpm), late_bpm, np.inf), first)
    moved = np.where(high >= low, high - low, np.nan)
    return np.asarray(moved[np.cumsum(begins) - 1])


def _stopped(estimate: FloatArray) -> IntArray:
    """Return the window since which the estimate stands, ``(n,)``.

    One that creeps on by less than `STANDING_BPM` at a time does not stand.
    """
    first = np.arange(estimate.size)
    for i in range(1, estimate.size):
        if abs(estimate[i] - estimate[first[i - 1]]) <= STANDING_BPM:
            first[i] = first[i - 1]
    return first


def _standing(evidence: WindowTable) -> dict[str, FloatArray]:
    """Return for how long estimates stand, from which reference on, and in what light."""
    first, run = np.unique(_stopped(evidence["estimate_bpm"]), return_inverse=True)
    step_s = evidence.step_s if len(evidence) > 1 else 0.0
    chance = _column(evidence, "oracle_chance")
    carried = np.where(np.isfinite(chance), chance <= FALSE_ALARM, np.nan)
    return {
        "held_s": step_s * np.bincount(run)[run],
        "held_from_bpm": evidence["reference_bpm"][first[run]],
        "held_carried_share": _run_mean(carried, run),
        "held_prominence_db": _run_mean(_column(evidence, "oracle_prominence_db"), run),
    }


def _run_mean(values: FloatArray, run: IntArray) -> FloatArray:
    """Return the mean of the finite values of each window's run, ``(n,)``."""
    finite = np.isfinite(values)
    total = np.bincount(run, np.where(finite, values, 0.0)).astype(np.float64)
    count = np.bincount(run, finite).astype(np.float64)
    return ratio(total, count)[run]


def _harmonic_share(evidence: WindowTable) -> FloatArray:
    quotient = evidence["estimate_bpm"] / evidence["reference_bpm"]
    off = np.minimum(np.abs(quotient / 2.0 - 1.0), np.abs(2.0 * quotient - 1.0))
    outside = np.abs(evidence["error_bpm"]) > evidence["tolerance_bpm"]
    locked = np.where(outside, off <= HARMONIC_OFF, np.nan)
    return moving_mean(locked, _around(evidence, LOCKED_S))


def _others(estimate: FloatArray, others_bpm: Sequence[FloatArray]) -> FloatArray:
    if not others_bpm:
        return np.full(estimate.size, np.nan)
    apart = np.abs(np.stack(others_bpm) - estimate)
    known = np.isfinite(apart).any(axis=0)
    result = np.full(estimate.size, np.nan)
    result[known] = np.nanmedian(apart[:, known], axis=0)
    return result


def _jump(evidence: WindowTable) -> FloatArray:
    """Return the reference less the median of the minute around it, ``(n,)``."""
    rate = evidence["reference_bpm"]
    half = _around(evidence) // 2
    padded = np.pad(rate, half, constant_values=np.nan)
    views = sliding_window_view(padded, 2 * half + 1)
    known = np.isfinite(views).any(axis=1)
    usual = np.full(rate.size, np.nan)
    usual[known] = np.nanmedian(views[known], axis=1)
    return np.asarray(rate - usual)
