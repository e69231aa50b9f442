"""Run a heart-rate source again under every set of repairs that can be made to it.

A module that joins stages, like ``pipeline``; what it returns is taken apart by
``explanation.budget``.

Repairs
-------
``clock``
    The windows are compared with the reference at the time that the light shows to be
    right (``explanation.light_clock``).
``latency``
    A device's readings are compared with the reference as much earlier as they are late on
    the right clock: delay and smoothing together (``timing.latency``).
``clock or latency``
    Both in one, where no light tells them apart.
``best optical channel``
    Where there are several, the estimator hears in each window only the channel with the least
    mean error in the `CHANNEL_WINDOWS` around it. All channels together stay the choice unless
    that mean is better by a standard error. A window and those that overlap it do not count for
    their own choice: otherwise, of channels that differ in nothing but their noise, the luckiest
    would be chosen each time, and chance would look like a repair.
``motion cancellation``
    The estimator hears what an adaptive filter leaves of the light when the accelerometer's
    part is taken out. Not offered to estimators that cancel motion themselves.
``oracle peak choice``
    Where the light has a prominent spectral peak within a resolution cell of the true rate
    and the estimate sits on another one, the estimate becomes that peak.

The reference between windows is interpolated; it is undefined next to an untrusted window.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import ndimage

from palpate.conditioning import STEP_S, WINDOW_S, parabolic_peak, windowed
from palpate.evaluation.scoring import trusted_rate
from palpate.explanation.budget import ErrorBudget, error_budget
from palpate.explanation.light_clock import LightClock
from palpate.explanation.line_spectra import MEDIAN_OF_EXPONENTIAL
from palpate.explanation.oracle import CHANNEL_WINDOWS
from palpate.explanation.shapley import subsets
from palpate.heartrate import METHODS
from palpate.heartrate.adaptive import cancelled_light
from palpate.heartrate.conventional import mean_channel_power
from palpate.heartrate.estimation import NEEDS_MOTION
from palpate.heartrate.preparation import Prepared, WindowedSignals, prepare
from palpate.heartrate.spectra import MAX_HR_BPM, MIN_HR_BPM, power, rate_axis, window_spectra
from palpate.signals import BoolArray, FloatArray, IntArray, WindowTable
from palpate.timing import latency
from palpate.validation import InputError, checked_choice

CLOCK, LATENCY, CLOCK_OR_LATENCY = "clock", "latency", "clock or latency"
CHANNEL, MOTION, PEAK = "best optical channel", "motion cancellation", "oracle peak choice"
PROMINENT = 8.0
"""Over the noise that the median implies: e**-8 per bin, so that noise has such a peak near
the true rate in fewer than one window in a thousand."""
MISSING_BPM = MAX_HR_BPM - MIN_HR_BPM
SETTLED_BPM = 1e-6
"""Less is rounding."""


@dataclass(frozen=True, slots=True, eq=False)
class Counterfactuals:
    """Absolute errors in bpm ``(n,)`` of one source under every set of repairs.

    ``untried`` says why a repair that might apply was not offered. ``oracle`` is the repair
    that is told the truth, if it was offered.
    """

    absolute_error_bpm: dict[frozenset[str], FloatArray]
    step_s: float
    untried: dict[str, str] = field(default_factory=dict)
    oracle: str | None = None

    def budget(self) -> ErrorBudget:
        """Share the error out; the repair that is told the truth comes last."""
        return error_budget(self.absolute_error_bpm, last=self.oracle, step_s=self.step_s)


def device_counterfactuals(
    reference: WindowTable,
    estimate_bpm: FloatArray,
    clock: LightClock | None = None,
    *,
    step_s: float = STEP_S,
) -> Counterfactuals:
    """Repair the clock and the latency of a device's own heart rate.

    Parameters
    ----------
    reference
        With the columns ``hr_bpm`` and ``trusted``, windows in time order.
    estimate_bpm
        The device's rate in the same windows; NaN where it has none.
    clock
        What the light of the same device says about its clock; None without light.
    step_s
        Seconds from one window to the next.
    """
    heart = _Heart.of(reference)
    known = clock is not None and clock.known
    clock_s = _clock_s(reference, clock)
    middle_s = reference.middle_s
    late = latency(heart.time_s, heart.hr_bpm, middle_s + clock_s, estimate_bpm)
    late_s = np.full(middle_s.shape, -late.lateness_s)
    moves = {CLOCK: clock_s, LATENCY: late_s} if known else {CLOCK_OR_LATENCY: late_s}
    untried = {}
    if late.reason:
        lost = LATENCY if known else CLOCK_OR_LATENCY
        untried[lost] = late.reason
        del moves[lost]
    errors = {}
    for repairs in subsets(list(moves)):
        at_s = middle_s + sum(moves[name] for name in repairs)
        errors[repairs] = np.abs(estimate_bpm - heart.at(at_s))
    return Counterfactuals(errors, step_s, untried)


def light_counterfactuals(
    reference: WindowTable,
    ppg: FloatArray,
    acc: FloatArray | None,
    *,
    method: str,
    fs_hz: float,
    start_s: float = 0.0,
    window_s: float = WINDOW_S,
    step_s: float = STEP_S,
    clock: LightClock | None = None,
    estimate_bpm: FloatArray | None = None,
) -> Counterfactuals:
    """Repair what an estimator made of light and motion.

    Parameters
    ----------
    reference
        With the columns ``hr_bpm`` and ``trusted``, on the grid that ``start_s`` and
        ``step_s`` fall on.
    ppg, acc, fs_hz, start_s, window_s, step_s, method
        As for ``heartrate.estimate``.
    clock
        What this light says about its clock; None if nobody asked it.
    estimate_bpm
        What ``heartrate.estimate`` gives for just this, ``(n_windows,)``; estimated if left out.

    Raises
    ------
    InputError
        As for ``heartrate.estimate``, and if the light does not fill a window.
    """
    checked_choice(method, METHODS, "method")
    grid: dict[str, float] = {"start_s": start_s, "window_s": window_s, "step_s": step_s}
    prepared = prepare(ppg, acc, fs_hz=fs_hz, **grid)
    windows = WindowTable(prepared.start_s, prepared.end_s)
    if len(windows) == 0:
        raise InputError(f"the light is shorter than one window of {window_s:g} s")
    heart, middle_s = _Heart.of(reference), windows.middle_s
    clock_s = _clock_s(windows, clock)
    truth = {known: heart.at(middle_s + clock_s * known) for known in (False, True)}
    repairs, untried = [], {}
    if clock is not None and clock.known:
        repairs.append(CLOCK)
    elif clock is not None:
        untried[CLOCK] = clock.reason
    if prepared.signals.ppg.shape[1] > 1:
        repairs.append(CHANNEL)
    if prepared.signals.acc.shape[1] > 0 and method not in NEEDS_MOTION:
        repairs.append(MOTION)
    errors = {}
    heard = _heard(prepared, method, repairs, truth[CLOCK in repairs], estimate_bpm)
    for light_repairs, listened in heard:
        for clock_repairs in subsets([CLOCK] if CLOCK in repairs else []):
            true_bpm = truth[bool(clock_repairs)]
            members = light_repairs | clock_repairs
            errors[members] = np.abs(listened.hr_bpm - true_bpm)
            errors[members | {PEAK}] = np.abs(listened.best_peak(true_bpm) - true_bpm)
    ordered = {members: errors[members] for members in subsets([*repairs, PEAK])}
    return Counterfactuals(ordered, step_s, untried, oracle=PEAK)


@dataclass(frozen=True, slots=True, eq=False)
class _Heart:
    """The reference over time: middles of its windows, and its rate, NaN where not trusted."""

    time_s: FloatArray
    hr_bpm: FloatArray

    @classmethod
    def of(cls, reference: WindowTable) -> _Heart:
        return cls(reference.middle_s, trusted_rate(reference))

    def at(self, time_s: FloatArray) -> FloatArray:
        return np.interp(time_s, self.time_s, self.hr_bpm, left=np.nan, right=np.nan)


@dataclass(frozen=True, slots=True, eq=False)
class _Listened:
    """An estimator's rates ``(w,)``, and the spectra ``(w, f)`` that it could choose from."""

    hr_bpm: FloatArray
    spectrum: FloatArray
    rate_bpm: FloatArray
    cell_bpm: float

    def best_peak(self, true_bpm: FloatArray) -> FloatArray:
        """Return the rates, moved to the peak at the true rate where they sit elsewhere."""
        peak_bpm = nearest_peak(self.spectrum, self.rate_bpm, true_bpm)
        there = np.abs(peak_bpm - true_bpm) <= self.cell_bpm
        elsewhere = ~(np.abs(self.hr_bpm - peak_bpm) <= self.cell_bpm)
        return np.where(there & elsewhere, peak_bpm, self.hr_bpm)


def nearest_peak(spectrum: FloatArray, rate_bpm: FloatArray, true_bpm: FloatArray) -> FloatArray:
    """Return the prominent peak nearest to the true rate ``(w,)``; NaN where there is none.

    ``spectrum`` is ``(w, f)`` power at the rates ``rate_bpm (f,)``, equally spaced.
    """
    floor = np.median(spectrum, axis=1, keepdims=True) / MEDIAN_OF_EXPONENTIAL
    inner = spectrum[:, 1:-1]
    peaks = np.zeros(spectrum.shape, dtype=bool)
    peaks[:, 1:-1] = (inner > spectrum[:, :-2]) & (inner >= spectrum[:, 2:])
    peaks &= spectrum > PROMINENT * floor
    away = np.where(peaks, np.abs(rate_bpm - true_bpm[:, np.newaxis]), np.inf)
    nearest = np.argmin(np.where(np.isnan(away), np.inf, away), axis=1)
    found = rate_bpm[0] + (rate_bpm[1] - rate_bpm[0]) * parabolic_peak(spectrum, nearest)
    known = peaks[np.arange(nearest.size), nearest] & np.isfinite(true_bpm)
    return np.where(known, found, np.nan)


def _heard(
    prepared: Prepared,
    method: str,
    repairs: Sequence[str],
    true_bpm: FloatArray,
    estimate_bpm: FloatArray | None,
) -> Iterator[tuple[frozenset[str], _Listened]]:
    """Yield what the estimator hears under every set of the repairs that change its light."""
    signals, answered = prepared.signals, prepared.reason == ""
    lights = {frozenset[str](): signals}
    if MOTION in repairs:
        lights[frozenset({MOTION})] = _without_motion(signals)
    for members, light in lights.items():
        known_bpm = None if members else estimate_bpm
        together = _answers(light, method, answered, known_bpm)
        yield members, together
        if CHANNEL in repairs:
            alone = [
                _answers(_one_channel(light, column), method, answered & light.usable[:, column])
                for column in range(light.ppg.shape[1])
            ]
            overlapping = int(np.count_nonzero(prepared.start_s < prepared.end_s[0])) - 1
            best = _best_of([together, *alone], true_bpm, overlapping=overlapping)
            yield members | {CHANNEL}, best


def _without_motion(signals: WindowedSignals) -> WindowedSignals:
    light = cancelled_light(signals)
    windows = windowed(light, signals.first, signals.width)
    windows = np.where(signals.usable[:, np.newaxis, :], windows, 0.0)
    return replace(signals, ppg=light, ppg_windows=windows)


def _best_of(choice: Sequence[_Listened], true_bpm: FloatArray, *, overlapping: int) -> _Listened:
    """Return in each window what serves best around it."""
    rates = np.stack([one.hr_bpm for one in choice])
    best = best_around(rates, true_bpm, overlapping=overlapping)
    rows = np.arange(true_bpm.size)
    spectra = np.stack([one.spectrum for one in choice])
    return replace(choice[0], hr_bpm=rates[best, rows], spectrum=spectra[best, rows])


def best_around(rates_bpm: FloatArray, true_bpm: FloatArray, *, overlapping: int) -> IntArray:
    """Return which of ``rates_bpm (k, w)`` errs least around each window.

    The first, unless another errs less by a standard error of their difference (the rule of one
    standard error: Breiman et al. 1984, "Classification and Regression Trees", ch. 3.4.3).

    Parameters
    ----------
    overlapping
        How many windows on either side overlap one: these, and itself, do not count.

    Notes
    -----
    A rate that is missing where the truth is known errs by `MISSING_BPM`.
    """
    error = np.nan_to_num(np.abs(rates_bpm - true_bpm), nan=MISSING_BPM)
    error[:, np.isnan(true_bpm)] = 0.0
    more = error - error[0]
    mean = _mean_beyond(more, overlapping)
    variance = np.maximum(_mean_beyond(more**2, overlapping) - mean**2, 0.0)
    independent = (CHANNEL_WINDOWS - 1) / (overlapping + 1)
    surely = mean + np.sqrt(variance / independent) < -SETTLED_BPM
    return np.asarray(np.argmin(np.where(surely, mean, 0.0), axis=0), dtype=np.intp)


def _mean_beyond(values: FloatArray, overlapping: int) -> FloatArray:
    """Return means ``(k, w)`` over windows around each, without it and those that overlap it."""
    own = 2 * overlapping + 1
    wide, near = (
        size * ndimage.uniform_filter1d(values, size, axis=1, mode="constant")
        for size in (own - 1 + CHANNEL_WINDOWS, own)
    )
    return np.asarray((wide - near) / (CHANNEL_WINDOWS - 1))


def _answers(
    signals: WindowedSignals,
    method: str,
    answered: BoolArray,
    known_bpm: FloatArray | None = None,
) -> _Listened:
    axis = rate_axis(signals)
    spectra = window_spectra(signals.ppg_windows, axis)[:, axis.candidates]
    hr_bpm = METHODS[method](signals)[0] if known_bpm is None else known_bpm
    return _Listened(
        hr_bpm=np.where(answered, hr_bpm, np.nan),
        spectrum=mean_channel_power(power(spectra)),
        rate_bpm=axis.rate_bpm,
        cell_bpm=60.0 * signals.fs_hz / signals.width,
    )


def _one_channel(signals: WindowedSignals, column: int) -> WindowedSignals:
    only = slice(column, column + 1)
    return replace(
        signals,
        ppg=signals.ppg[:, only],
        ppg_windows=signals.ppg_windows[:, :, only],
        usable=signals.usable[:, only],
    )


def _clock_s(windows: WindowTable, clock: LightClock | None) -> FloatArray:
    """Return what to add to the time of each window; 0 where the clock is not known."""
    middle_s = windows.middle_s
    return np.zeros(middle_s.shape) if clock is None else clock.right_s(middle_s) - middle_s
