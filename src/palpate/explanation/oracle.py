"""Oracle measures: what the light carried at the true rate, and what motion put there.

They need the reference heart rate, so they explain errors and never make an estimate.

Measures per window
-------------------
``oracle_snr_db``
    Mean power density within 1.5 / T of the true rate (T the window's length) over the
    mean density of the rest of 0.5 to 5 Hz, in dB, Hann taper. What lies within 2 / T of
    the true rate or of its second or third harmonic is not part of the rest. White noise
    gives 0 dB (median within 1 dB). After the form of de Haan & Jeanne 2013, IEEE Trans
    Biomed Eng 60:2878, as a ratio of densities, so that 0 dB means 'no more than
    anywhere else'.
``oracle_prominence_db``
    The same line over its own surroundings: power density within 1 / T of the true rate
    over the noise density that the median of the bins up to 0.75 Hz away implies. It
    says whether a line is there at all, however strong another one further off is. White
    noise gives about -1 dB.
``acc_explained_share``
    Share of the light's in-band power that the accelerometer predicts linearly, 0..1: a
    finite impulse response of three taps per axis over a common delay of up to 0.375 s
    either way, judged on the quarter of the window that it was not fitted to. Unrelated
    signals give 0 whatever their spectra, and so do two lines of nearly equal rate. It
    reads low rather than high: a true share of 0.50 gives 0.40 in 8 s of broad-band
    motion (simulated). Where pulse and cadence coincide throughout a window nothing tells
    them apart, and the pulse counts as explained. A time-domain multiple coherence
    (Bendat & Piersol 2010, 'Random Data', chapter 7); cross-validation in place of their
    bias formula is our own, since 8 s hold too few independent segments for it.
``acc_lag_s``
    That common delay; positive where the light follows the motion.
``oracle_snr_cancelled_db``
    ``oracle_snr_db`` of what the accelerometer does not predict: what motion
    cancellation can win back. An estimator without motion reference follows
    ``oracle_snr_db``, one that cancels motion follows this.
``oracle_chance``
    Share of the rates from 30 to 230 bpm at which that light (the light itself where there
    is no accelerometer) has at least the power density, within 1 / T, that it has at the
    true rate. It is the p-value of a randomisation test: a rate drawn evenly from that range,
    without regard to the light, gets ``a`` or less with probability ``a``, whatever the
    light's spectrum. Fundamentals only: where the reference is double or half the true rate,
    the pulse's own fundamental outranks it.
``oracle_channel``
    The optical channel that the row describes: the one whose ``oracle_snr_db`` is the
    highest in the median over ``CHANNEL_WINDOWS`` windows. Picking the best in each
    window alone would lift noise in two channels to 2 dB; this lifts it by less than 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from palpate.conditioning import (
    STEP_S,
    WINDOW_S,
    bridge_gaps,
    power_spectra,
    resample,
    window_samples,
    windowed,
    zero_phase,
)
from palpate.conditioning.statistics import MAX_MISSING_SHARE, ratio, window_means
from palpate.signals import BoolArray, FloatArray, IntArray, WindowTable
from palpate.validation import InputError, checked_columns, checked_rate, checked_signal

ORACLE_FS_HZ = 16.0
LOW_HZ, HIGH_HZ = 0.5, 5.0
HARMONICS = (2, 3)
CANDIDATE_BPM = np.arange(30.0, 231.0)
"""The rates that the toolkit reads."""
LINE_HALF_WIDTH, LOBE_HALF_WIDTH = 1.5, 2.0
"""In units of 1 / T: where a steady or slowly drifting line has its power, and where the
main lobe of a Hann taper ends, so that the line does not count as its own noise."""
NEAR_HALF_WIDTH, FLANK_HZ = 1.0, 0.75
SPECTRUM_PADDING = 4
ROUNDING = 1e-9
MEDIAN_OF_EXPONENTIAL = float(np.log(2.0))
"""Median over mean of a noise spectrum's bins, which are exponentially distributed."""

TAPS = (-1, 0, 1)
DELAYS = (-6, -3, 0, 3, 6)
"""Samples at ``ORACLE_FS_HZ``: taps of 62.5 ms around delays up to 0.375 s."""
FOLDS = 4
RIDGE = 0.01
"""Share of the mean energy per tap: keeps axes without motion from being inverted."""
WINDOWS_AT_ONCE = 256
CHANNEL_WINDOWS = 31
"""68 s at the default grid: longer than chance, shorter than a lost contact (own choice)."""
MOTION_MEASURES = (
    "acc_explained_share", "acc_lag_s", "oracle_snr_cancelled_db", "oracle_chance",
)  # fmt: skip
CADENCE_MULTIPLES = (0.5, 1.0, 2.0)
"""Where gross errors gather: half the cadence, the cadence, the step rate."""


def oracle_windows(
    ppg: FloatArray,
    acc: FloatArray | None,
    hr_bpm: FloatArray,
    *,
    fs_hz: float,
    start_s: float = 0.0,
    window_s: float = WINDOW_S,
    step_s: float = STEP_S,
) -> WindowTable:
    """Measure in every window what a perfect observer would know; the module says how.

    Parameters
    ----------
    ppg
        ``(n,)`` or ``(n, channels)``, raw or conditioned; NaN marks missing samples.
    acc
        ``(n, axes)`` in any unit on the same samples, or None: its columns are then NaN.
    hr_bpm
        Reference per window ``(n_windows,)``; NaN where it is unknown or not trusted.
    fs_hz
        Samples per second of ``ppg`` and ``acc``.
    start_s
        Time of the first sample; windows start there.

    Raises
    ------
    InputError
        If ``hr_bpm`` has not one value per window, or ``acc`` not one row per sample.
    """
    fs_hz = checked_rate(fs_hz)
    ppg = checked_columns(ppg, "ppg")
    acc = np.empty((ppg.shape[0], 0)) if acc is None else checked_columns(acc, "acc")
    if acc.shape[0] != ppg.shape[0]:
        raise InputError(
            f"acc has {acc.shape[0]} samples and ppg has {ppg.shape[0]}; both must share one "
            "time base"
        )
    first, width = window_samples(ppg.shape[0], fs_hz=fs_hz, window_s=window_s, step_s=step_s)
    hr_bpm = checked_signal(hr_bpm, "hr_bpm")
    if hr_bpm.size != first.size:
        raise InputError(
            f"hr_bpm has {hr_bpm.size} values for {first.size} windows of {window_s:g} s every "
            f"{step_s:g} s; give one per window"
        )
    light, motion = _in_band(ppg, fs_hz), _in_band(acc, fs_hz)
    slow_width = int(width * ORACLE_FS_HZ / fs_hz)
    slow_first = np.round(first * ORACLE_FS_HZ / fs_hz).astype(np.intp)
    slow_first = np.clip(slow_first, 0, max(light.shape[0] - slow_width, 0))
    ppg_lost = window_means(~np.isfinite(ppg), first, width) > MAX_MISSING_SHARE
    acc_share = window_means(np.asarray(~np.isfinite(acc).all(axis=1)), first, width)
    snr_db, prominence_db = _lines_of_all(light, hr_bpm, slow_first, slow_width)
    snr_db[ppg_lost] = prominence_db[ppg_lost] = np.nan
    channel = _steady_best(snr_db)
    rows = np.arange(first.size)
    own = light[slow_first[:, np.newaxis] + np.arange(slow_width), channel[:, np.newaxis]]
    with_motion = _motion_measures_of_all(own, motion, slow_first, hr_bpm)
    with_motion[:, ppg_lost[rows, channel]] = np.nan
    with_motion[:-1, acc_share > MAX_MISSING_SHARE] = np.nan
    columns: dict[str, NDArray[np.generic]] = {
        "oracle_snr_db": snr_db[rows, channel],
        "oracle_prominence_db": prominence_db[rows, channel],
        **dict(zip(MOTION_MEASURES, with_motion, strict=True)),
        "oracle_channel": channel,
    }
    starts = start_s + step_s * np.arange(first.size, dtype=np.float64)
    return WindowTable(starts, starts + window_s, columns)


@dataclass(frozen=True, slots=True, eq=False)
class CadenceDistance:
    """Per window ``(n_windows,)``: estimate − nearest multiple of the cadence, and which."""

    distance_bpm: FloatArray
    multiple: FloatArray


def cadence_distance(
    hr_bpm: FloatArray,
    cadence_per_min: FloatArray,
    *,
    multiples: tuple[float, ...] = CADENCE_MULTIPLES,
) -> CadenceDistance:
    """Say how far a heart rate lies from the nearest multiple of the cadence.

    Both ``(n_windows,)``; NaN in either gives NaN in both results.
    """
    gaps = hr_bpm[:, np.newaxis] - cadence_per_min[:, np.newaxis] * np.asarray(multiples)
    defined = np.isfinite(gaps).all(axis=1)
    nearest = np.argmin(np.abs(np.where(defined[:, np.newaxis], gaps, 0.0)), axis=1)
    distance = np.where(defined, gaps[np.arange(nearest.size), nearest], np.nan)
    return CadenceDistance(distance, np.where(defined, np.asarray(multiples)[nearest], np.nan))


def _in_band(values: FloatArray, fs_hz: float) -> FloatArray:
    if values.shape[0] < 2 or values.shape[1] == 0:
        return np.zeros((int(np.ceil(values.shape[0] * ORACLE_FS_HZ / fs_hz)), values.shape[1]))
    filled, _ = bridge_gaps(values)
    slow = resample(filled, fs_hz=fs_hz, to_hz=ORACLE_FS_HZ)
    return zero_phase(slow, fs_hz=ORACLE_FS_HZ, low_hz=LOW_HZ, high_hz=HIGH_HZ)


def _portions(n_windows: int) -> list[slice]:
    return [slice(i, i + WINDOWS_AT_ONCE) for i in range(0, n_windows or 1, WINDOWS_AT_ONCE)]


def _lines_of_all(
    light: FloatArray, hr_bpm: FloatArray, first: IntArray, width: int
) -> tuple[FloatArray, FloatArray]:
    """Return SNR and prominence in dB, each ``(n_windows, channels)``."""
    parts = [
        _line_measures(*_band_power(windowed(light, first[p], width)), hr_bpm[p])
        for p in _portions(first.size)
    ]
    snr_db, prominence_db = zip(*parts, strict=True)
    return np.concatenate(snr_db), np.concatenate(prominence_db)


def _motion_measures_of_all(
    light: FloatArray, motion: FloatArray, first: IntArray, hr_bpm: FloatArray
) -> FloatArray:
    """Return the ``MOTION_MEASURES`` of ``light (n_windows, width)``, one per row."""
    parts = [_motion_measures(light[p], motion, first[p], hr_bpm[p]) for p in _portions(first.size)]
    return np.concatenate(parts, axis=1)


def _steady_best(snr_db: FloatArray) -> IntArray:
    """Return the channel with the highest median over neighbouring windows, ``(n_windows,)``."""
    known = np.where(np.isnan(snr_db), -np.inf, snr_db)
    steady = ndimage.median_filter(known, (CHANNEL_WINDOWS, 1), mode="nearest")
    return np.asarray(np.argmax(steady, axis=1), dtype=np.intp)


def _motion_measures(
    light: FloatArray, motion: FloatArray, first: IntArray, hr_bpm: FloatArray
) -> FloatArray:
    """Return the ``MOTION_MEASURES`` of ``light (n_windows, width)``, one per row."""
    unknown = np.full((len(MOTION_MEASURES), first.size), np.nan)
    if first.size == 0:
        return unknown
    if motion.shape[1] == 0:
        unknown[-1] = _chance(*_band_power(light[:, :, np.newaxis]), hr_bpm)
        return unknown
    residual, delay = _unpredicted(light, motion, first)
    judged = light[:, : residual.shape[1]]
    kept = ratio((residual**2).sum(axis=1), (judged**2).sum(axis=1))
    spectra = _band_power(residual[:, :, np.newaxis])
    snr_db, _ = _line_measures(*spectra, hr_bpm)
    share = np.clip(1.0 - kept, 0.0, 1.0)
    return np.stack([share, delay / ORACLE_FS_HZ, snr_db[:, 0], _chance(*spectra, hr_bpm)])


def _band_power(windows: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Return frequencies ``(f,)``, power ``(n_windows, f, channels)`` and 1 / T, all in band."""
    width = windows.shape[1]
    freq_hz, power = power_spectra(windows, fs_hz=ORACLE_FS_HZ, nfft=SPECTRUM_PADDING * width)
    band = (freq_hz >= LOW_HZ) & (freq_hz <= HIGH_HZ)
    return freq_hz[band], power[:, band], ORACLE_FS_HZ / width


def _chance(
    freq_hz: FloatArray, power: FloatArray, resolution_hz: float, hr_bpm: FloatArray
) -> FloatArray:
    """Return the share of candidate rates with the true rate's power or more, ``(n_windows,)``."""
    reach_hz = NEAR_HALF_WIDTH * resolution_hz
    near = np.abs(freq_hz - CANDIDATE_BPM[:, np.newaxis] / 60.0) <= reach_hz
    everywhere = power[..., 0] @ (near / near.sum(axis=1, keepdims=True)).T
    there = _mean_where(power, np.abs(freq_hz - hr_bpm[:, np.newaxis] / 60.0) <= reach_hz)
    share = (everywhere >= (1.0 - ROUNDING) * there).mean(axis=1)
    return np.where(np.isnan(there[:, 0]), np.nan, share)


def _line_measures(
    freq_hz: FloatArray, power: FloatArray, resolution_hz: float, hr_bpm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return SNR and prominence in dB, each ``(n_windows, channels)``."""
    rate_hz = hr_bpm[:, np.newaxis] / 60.0
    away_hz = np.abs(freq_hz - rate_hz)
    rest = np.all(
        [np.abs(freq_hz - h * rate_hz) > LOBE_HALF_WIDTH * resolution_hz for h in (1, *HARMONICS)],
        axis=0,
    )
    line = _mean_where(power, away_hz <= LINE_HALF_WIDTH * resolution_hz)
    snr = ratio(line, _mean_where(power, rest))
    flank = (away_hz > 2.0 * NEAR_HALF_WIDTH * resolution_hz) & (away_hz <= FLANK_HZ)
    floor = _median_where(power, flank) / MEDIAN_OF_EXPONENTIAL
    prominence = ratio(_mean_where(power, away_hz <= NEAR_HALF_WIDTH * resolution_hz), floor)
    undefined = np.isnan(hr_bpm)[:, np.newaxis]
    with np.errstate(divide="ignore"):
        return (
            np.where(undefined, np.nan, 10.0 * np.log10(snr)),
            np.where(undefined, np.nan, 10.0 * np.log10(prominence)),
        )


def _mean_where(power: FloatArray, mask: BoolArray) -> FloatArray:
    count = mask.sum(axis=1).astype(np.float64)[:, np.newaxis]
    return ratio(np.einsum("wfc,wf->wc", power, mask.astype(np.float64)), count)


def _median_where(power: FloatArray, mask: BoolArray) -> FloatArray:
    """Return the median of the masked bins, ``(n_windows, channels)``; NaN without any."""
    ordered = np.sort(np.where(mask[:, :, np.newaxis], power, np.inf), axis=1)
    count = mask.sum(axis=1)
    rows = np.arange(count.size)
    middle = 0.5 * (ordered[rows, np.maximum(count - 1, 0) // 2] + ordered[rows, count // 2])
    return np.asarray(np.where(count[:, np.newaxis] > 0, middle, np.nan))


def _unpredicted(
    light: FloatArray, motion: FloatArray, first: IntArray
) -> tuple[FloatArray, IntArray]:
    """Return what of ``light (n_windows, width)`` motion does not predict, and the delay used.

    The residual ``(n_windows, FOLDS * (width // FOLDS))`` is that of each quarter under the
    response fitted to the other three; the delay (in samples) is the one that fits the
    whole window best.
    """
    n, fold = light.shape[0], light.shape[1] // FOLDS
    target = light[:, : FOLDS * fold].reshape(n, FOLDS, fold, 1)
    inputs = [x.reshape(n, FOLDS, fold, -1) for x in _delayed(motion, first, FOLDS * fold)]
    gram = np.stack([np.swapaxes(x, 2, 3) @ x for x in inputs])
    cross = np.stack([np.swapaxes(x, 2, 3) @ target for x in inputs])
    whole = cross.sum(axis=2)
    explained = (whole * _fit(gram.sum(axis=2), whole)).sum(axis=(2, 3))
    best = explained.argmax(axis=0)
    rows = np.arange(n)
    gram, cross = gram[best, rows], cross[best, rows]
    response = _fit(
        gram.sum(axis=1, keepdims=True) - gram, cross.sum(axis=1, keepdims=True) - cross
    )
    chosen = np.empty_like(inputs[0])
    for number, x in enumerate(inputs):
        chosen[best == number] = x[best == number]
    residual = np.asarray((target - chosen @ response).reshape(n, FOLDS * fold))
    return residual, np.asarray(DELAYS, dtype=np.intp)[best]


def _delayed(motion: FloatArray, first: IntArray, width: int) -> list[FloatArray]:
    """Return per delay ``(n_windows, width, taps * axes)``: the motion ``delay + tap`` earlier.

    Beyond the record's ends its first and last sample stand in.
    """
    reach = max(DELAYS) + max(TAPS)
    start, length = first[0], first[-1] - first[0] + width
    around = np.arange(start - reach, start + length + reach)
    span = motion[np.clip(around, 0, motion.shape[0] - 1)]
    index = (first - start)[:, np.newaxis] + np.arange(width)
    windows = []
    for delay in DELAYS:
        lags = [reach - delay - tap for tap in TAPS]
        columns = np.concatenate([span[lag : lag + length] for lag in lags], axis=1)
        windows.append(np.take(columns, index, axis=0))
    return windows


def _fit(gram: FloatArray, cross: FloatArray) -> FloatArray:
    """Solve the ridge-stabilised normal equations; 0 where there is no motion."""
    size = gram.shape[-1]
    energy = np.trace(gram, axis1=-2, axis2=-1)[..., np.newaxis, np.newaxis] / size
    ridge = np.where(energy > 0, RIDGE * energy, 1.0)
    return np.asarray(np.linalg.solve(gram + ridge * np.eye(size), cross))
