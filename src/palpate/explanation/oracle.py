"""Oracle measures: what the light carried at the true rate, and what motion put there.

They need the reference heart rate, so they explain errors and never make an estimate.

Measures per window
-------------------
``oracle_bpm``
    The rate that the light was asked about.
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

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from palpate.conditioning import (
    STEP_S,
    WINDOW_S,
    SignalWindows,
    bridge_gaps,
    resample,
    zero_phase,
)
from palpate.conditioning.statistics import MAX_MISSING_SHARE, ratio
from palpate.explanation.line_spectra import HIGH_HZ, LOW_HZ, LineSpectra
from palpate.explanation.motion_in_light import unpredicted
from palpate.signals import FloatArray, IntArray, WindowTable
from palpate.validation import InputError, checked_columns, checked_rate, checked_signal

ORACLE_FS_HZ = 16.0
CHANNEL_WINDOWS = 31
"""68 s at the default grid: longer than chance, shorter than a lost contact (own choice)."""
LEAST_EXPLAINED = 0.1
CADENCE_MULTIPLES = (0.5, 1.0, 2.0, 3.0, 4.0)
"""Of the repeats of the whole movement. An arm swings once in two steps and carries the
steps' own harmonic, so a walker's light holds one, two and four times the arm's rate."""


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
    light = OracleLight.of(ppg, acc, fs_hz=fs_hz, start_s=start_s, window_s=window_s, step_s=step_s)
    return light.at(hr_bpm)


@dataclass(frozen=True, slots=True, eq=False)
class OracleLight:
    """A band's light, taken apart once so that it can be asked about any heart rate.

    ``windows`` has no columns. ``spectra`` are of the light; ``left`` of what the accelerometer
    does not predict of it, or of the light itself where there is none. The share that it
    predicts and its delay are ``(n_windows, channels)``, NaN where it is missing.
    """

    windows: WindowTable
    spectra: LineSpectra
    left: LineSpectra
    acc_explained_share: FloatArray
    acc_lag_s: FloatArray

    @classmethod
    def of(
        cls,
        ppg: FloatArray,
        acc: FloatArray | None,
        *,
        fs_hz: float,
        start_s: float = 0.0,
        window_s: float = WINDOW_S,
        step_s: float = STEP_S,
    ) -> OracleLight:
        """Take light and motion apart; the arguments are those of `oracle_windows`."""
        fs_hz = checked_rate(fs_hz)
        ppg = checked_columns(ppg, "ppg")
        acc = np.empty((ppg.shape[0], 0)) if acc is None else checked_columns(acc, "acc")
        if acc.shape[0] != ppg.shape[0]:
            raise InputError(
                f"acc has {acc.shape[0]} samples and ppg has {ppg.shape[0]}; both must share one "
                "time base"
            )
        windows = SignalWindows.of(
            ppg.shape[0], fs_hz=fs_hz, start_s=start_s, window_s=window_s, step_s=step_s
        )
        light, motion = _in_band(ppg, fs_hz), _in_band(acc, fs_hz)
        slow = windows.at_rate(ORACLE_FS_HZ, light.shape[0])
        lost = windows.means(~np.isfinite(ppg)) > MAX_MISSING_SHARE
        seen = slow.of_samples(light)
        seen = np.where(lost[:, np.newaxis], np.nan, seen)
        spectra = left = LineSpectra.of(seen, fs_hz=ORACLE_FS_HZ)
        share = lag_s = np.full(lost.shape, np.nan)
        if motion.shape[1] > 0:
            residual, delay = unpredicted(seen, motion, slow.first)
            left = LineSpectra.of(residual, fs_hz=ORACLE_FS_HZ)
            judged = seen[:, : residual.shape[1]]
            kept = ratio((residual**2).sum(axis=1), (judged**2).sum(axis=1))
            share, lag_s = np.clip(1.0 - kept, 0.0, 1.0), delay / ORACLE_FS_HZ
            missing = np.asarray(~np.isfinite(acc).all(axis=1, keepdims=True))
            unknown = lost | (windows.means(missing) > MAX_MISSING_SHARE)
            share[unknown] = lag_s[unknown] = np.nan
        return cls(windows.table(), spectra, left, share, lag_s)

    def at(self, hr_bpm: FloatArray) -> WindowTable:
        """Measure the light at one rate per window; the columns are those of the module.

        Raises
        ------
        InputError
            If there is not one rate per window.
        """
        hr_bpm = checked_signal(hr_bpm, "hr_bpm")
        if hr_bpm.size != len(self.windows):
            raise InputError(
                f"hr_bpm has {hr_bpm.size} values for {len(self.windows)} windows; give one per "
                "window"
            )
        channel = _steady_best(self.spectra.snr_db(hr_bpm))
        own = self._in_channel(channel)
        measures = {
            "oracle_snr_db": own.spectra.snr_db(hr_bpm),
            "oracle_prominence_db": own.spectra.prominence_db(hr_bpm),
            "acc_explained_share": own.acc_explained_share,
            "acc_lag_s": own.acc_lag_s,
            "oracle_snr_cancelled_db": own._cancelled_snr_db(hr_bpm),
            "oracle_chance": own.left.chance(hr_bpm),
        }
        columns = {name: values[:, 0] for name, values in measures.items()}
        return self.windows.with_columns(oracle_bpm=hr_bpm, **columns, oracle_channel=channel)

    def compared(self, estimate_bpm: FloatArray, reference_bpm: FloatArray) -> WindowTable:
        """Hold the lines at two rates per window ``(n_windows,)`` against each other.

        Both in one channel: the one in which the clearer of the two stands out most, in the
        median over `CHANNEL_WINDOWS`, so that neither is favoured.

        Returns
        -------
        WindowTable
            ``estimate_snr_db`` and ``reference_snr_db`` are the lines; ``estimate_lost_db`` is
            what the first loses and ``cancelling_gain_db`` what the second gains when what the
            accelerometer predicts is taken out. The gain is 0 where that is under
            `LEAST_EXPLAINED` of the light.
        """
        rates = estimate_bpm, reference_bpm
        clearer_db = np.fmax(*(self.spectra.snr_db(rate) for rate in rates))
        own = self._in_channel(_steady_best(clearer_db))
        estimate_db, reference_db = (own.spectra.snr_db(rate)[:, 0] for rate in rates)
        estimate_left_db, reference_left_db = (own._cancelled_snr_db(rate)[:, 0] for rate in rates)
        little = own.acc_explained_share[:, 0] < LEAST_EXPLAINED
        return self.windows.with_columns(
            estimate_snr_db=estimate_db,
            reference_snr_db=reference_db,
            estimate_lost_db=estimate_db - estimate_left_db,
            cancelling_gain_db=np.where(little, 0.0, reference_left_db - reference_db),
        )

    def _in_channel(self, channel: IntArray) -> OracleLight:
        """Return the light of one channel per window ``(n_windows,)``."""
        column = channel[:, np.newaxis]
        return replace(
            self,
            spectra=self.spectra.of_channel(channel),
            left=self.left.of_channel(channel),
            acc_explained_share=np.take_along_axis(self.acc_explained_share, column, axis=1),
            acc_lag_s=np.take_along_axis(self.acc_lag_s, column, axis=1),
        )

    def _cancelled_snr_db(self, hr_bpm: FloatArray) -> FloatArray:
        snr_db = self.left.snr_db(hr_bpm)
        return np.where(np.isnan(self.acc_explained_share), np.nan, snr_db)


@dataclass(frozen=True, slots=True, eq=False)
class CadenceDistance:
    """Per window ``(n_windows,)``: estimate − nearest multiple of the cadence, and which."""

    distance_bpm: FloatArray
    multiple: FloatArray


def cadence_distance(hr_bpm: FloatArray, cadence_per_min: FloatArray) -> CadenceDistance:
    """Say how far a heart rate lies from the nearest of `CADENCE_MULTIPLES` of the cadence.

    Both ``(n_windows,)``; NaN in either gives NaN in both results.
    """
    multiples = np.asarray(CADENCE_MULTIPLES)
    gaps = hr_bpm[:, np.newaxis] - cadence_per_min[:, np.newaxis] * multiples
    defined = np.isfinite(gaps).all(axis=1)
    nearest = np.argmin(np.abs(np.where(defined[:, np.newaxis], gaps, 0.0)), axis=1)
    distance = np.where(defined, gaps[np.arange(nearest.size), nearest], np.nan)
    return CadenceDistance(distance, np.where(defined, multiples[nearest], np.nan))


def _in_band(values: FloatArray, fs_hz: float) -> FloatArray:
    if values.shape[0] < 2 or values.shape[1] == 0:
        return np.zeros((int(np.ceil(values.shape[0] * ORACLE_FS_HZ / fs_hz)), values.shape[1]))
    filled, _ = bridge_gaps(values)
    slow = resample(filled, fs_hz=fs_hz, to_hz=ORACLE_FS_HZ)
    return zero_phase(slow, fs_hz=ORACLE_FS_HZ, low_hz=LOW_HZ, high_hz=HIGH_HZ)


def _steady_best(snr_db: FloatArray) -> IntArray:
    """Return the channel with the highest median over neighbouring windows, ``(n_windows,)``."""
    known = np.where(np.isnan(snr_db), -np.inf, snr_db)
    steady = ndimage.median_filter(known, (CHANNEL_WINDOWS, 1), mode="nearest")
    return np.asarray(np.argmax(steady, axis=1), dtype=np.intp)
