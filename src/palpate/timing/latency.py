"""How late and how smoothed a device's heart rate is, once the clock is right.

Model
-----
``device(t) = bias + lowpass(reference, smoothing_s)(t - delay_s) + noise``, with a
first-order low-pass (an exponential average of time constant ``smoothing_s``). A delay
moves every change; smoothing rounds it as well. Together they make the device late by
about ``delay_s + smoothing_s`` in a steady rise.

Method
------
A grid over both parameters by the sum of absolute errors, then least squares with the
Cauchy loss, so that stretches on a wrong rate count hardly at all. Intervals come from the
sandwich covariance over blocks of `BLOCK_S` (Liang & Zeger 1986, Biometrika 73:13), since
neighbouring errors go together; Student's t with one degree of freedom per block less the
parameters.

What is refused: too few readings, too few blocks, or a reference that hardly moves; then
the numbers are NaN and ``reason`` says why.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, signal, stats

from palpate.conditioning import bridge_gaps
from palpate.signals import BoolArray, FloatArray, IntArray
from palpate.timing.heart_rates import regular_rate
from palpate.timing.lines import robust_spread
from palpate.timing.records import UNDEFINED, Trace
from palpate.validation import InputError, checked_signal, checked_times

BLOCK_S = 30.0
MIN_BLOCKS = 5
MIN_READINGS = 60
MIN_SPREAD_BPM = 3.0
"""A reference that moves less, as a standard deviation, shows no delay (own choice)."""
GRID_DELAY_S = np.arange(-20.0, 61.0, 1.0)
GRID_SMOOTHING_S = np.concatenate(([0.0], np.geomspace(1.0, 60.0, 15)))
LOWEST, HIGHEST = (-30.0, 0.0, -60.0), (120.0, 120.0, 60.0)
"""Bounds of delay (s), smoothing (s) and bias (bpm)."""
ROUNDING_BPM = 0.3
"""Standard deviation of rounding to whole bpm, 1 / sqrt(12): the least noise assumed."""
CAUCHY = 2.385
"""Cauchy's constant, in standard deviations, for 95 % efficiency on Gaussian errors."""
JACOBIAN_STEPS = (0.25, 0.25, 0.1)
FS_HZ = 4.0


@dataclass(frozen=True, slots=True)
class Latency:
    """Delay, smoothing and bias of a device's heart rate, each with its 95 % interval.

    ``noise_bpm`` is the robust standard deviation of what the model leaves; NaN numbers
    and a reason where the data cannot say.
    """

    delay_s: float
    smoothing_s: float
    bias_bpm: float
    delay_interval_s: tuple[float, float]
    smoothing_interval_s: tuple[float, float]
    noise_bpm: float
    n_readings: int
    reason: str = ""

    @property
    def lateness_s(self) -> float:
        """Seconds by which the device trails a steady rise: delay and smoothing."""
        return self.delay_s + self.smoothing_s


def latency(
    reference_time_s: FloatArray,
    reference_bpm: FloatArray,
    time_s: FloatArray,
    hr_bpm: FloatArray,
    *,
    where: BoolArray | None = None,
) -> Latency:
    """Measure delay and smoothing of a device's readings against a reference.

    Parameters
    ----------
    reference_time_s, reference_bpm
        The reference rate, best from beats (`rate_of_beats`): an average over windows is
        itself smoothed and hides as much of the device's smoothing.
    time_s, hr_bpm
        The device's readings ``(m,)`` on the reference's clock; NaN for no value.
    where
        ``(m,)`` which readings count, for instance those of one activity; all if left out.
        The device's memory of what was before is taken into account.
    """
    time_s = checked_times(time_s, "time_s")
    hr_bpm = checked_signal(hr_bpm, "hr_bpm")
    if time_s.shape != hr_bpm.shape:
        raise InputError(f"there are {time_s.size} times but {hr_bpm.size} readings")
    counted = np.isfinite(hr_bpm)
    if where is not None:
        if np.shape(where) != hr_bpm.shape:
            raise InputError(
                f"where has {np.size(where)} items but there are {hr_bpm.size} readings"
            )
        counted &= np.asarray(where, dtype=np.bool_)
    reference = regular_rate(reference_time_s, reference_bpm, fs_hz=FS_HZ)
    if reference.values.size == 0:
        return _refused(0, "the reference has no value")
    model = _Model(reference, time_s[counted], hr_bpm[counted])
    reason = model.refusal()
    if reason:
        return _refused(model.hr_bpm.size, reason)
    return model.fitted()


def _refused(n_readings: int, reason: str) -> Latency:
    nan = float("nan")
    return Latency(nan, nan, nan, UNDEFINED, UNDEFINED, nan, n_readings, reason)


class _Model:
    """Readings that the reference covers, and what the device should have shown."""

    def __init__(self, reference: Trace, time_s: FloatArray, hr_bpm: FloatArray) -> None:
        self.filled, missing = bridge_gaps(reference.values)
        self.grid_s = reference.start_s + np.arange(self.filled.size) / reference.fs_hz
        at = np.round((time_s - reference.start_s) * reference.fs_hz).astype(np.intp)
        inside = (at >= 0) & (at < self.filled.size)
        known = inside.copy()
        known[inside] = ~missing[at[inside]]
        self.time_s, self.hr_bpm = time_s[known], hr_bpm[known]

    def refusal(self) -> str:
        """Return why the readings cannot tell, or nothing."""
        if self.hr_bpm.size < MIN_READINGS:
            return f"only {self.hr_bpm.size} readings meet the reference; {MIN_READINGS} needed"
        if self._blocks().max() + 1 < MIN_BLOCKS:
            return f"the readings cover less than {MIN_BLOCKS} blocks of {BLOCK_S:g} s"
        spread = float(np.std(np.interp(self.time_s, self.grid_s, self.filled)))
        if spread < MIN_SPREAD_BPM:
            return f"the reference hardly moves (standard deviation {spread:.1f} bpm)"
        return ""

    def expected(self, delay_s: float, smoothing_s: float) -> FloatArray:
        """Return the reference as a device of this latency would show it, ``(m,)``."""
        smooth = smoothed(self.filled, smoothing_s, fs_hz=FS_HZ)
        return np.interp(self.time_s - delay_s, self.grid_s, smooth)

    def fitted(self) -> Latency:
        """Fit the parameters and their intervals."""
        start = self._start()
        scale = CAUCHY * max(robust_spread(self._errors(start)), ROUNDING_BPM)

        def scaled_errors(parameters: FloatArray) -> FloatArray:
            return self._errors(parameters) / scale

        found = optimize.least_squares(
            scaled_errors,
            np.clip(start, np.add(LOWEST, 1e-6), np.subtract(HIGHEST, 1e-6)),
            bounds=(LOWEST, HIGHEST),
            diff_step=[1e-2, 1e-2, 1e-2],
            loss="cauchy",
        )
        delay_s, smoothing_s, bias_bpm = (float(value) for value in found.x)
        errors = self._errors(found.x)
        half = [scale * width for width in self._half_widths(found.x, errors / scale)]
        return Latency(
            delay_s=delay_s,
            smoothing_s=smoothing_s,
            bias_bpm=bias_bpm,
            delay_interval_s=(delay_s - half[0], delay_s + half[0]),
            smoothing_interval_s=(max(smoothing_s - half[1], 0.0), smoothing_s + half[1]),
            noise_bpm=robust_spread(errors),
            n_readings=int(self.hr_bpm.size),
        )

    def _errors(self, parameters: FloatArray) -> FloatArray:
        delay_s, smoothing_s, bias_bpm = parameters
        return np.asarray(self.expected(delay_s, smoothing_s) + bias_bpm - self.hr_bpm)

    def _start(self) -> FloatArray:
        """Return the best grid point: smallest sum of absolute errors about their median."""
        best, least = np.zeros(3), np.inf
        index = np.round((self.time_s - self.grid_s[0]) * FS_HZ).astype(np.intp)
        for smoothing_s in GRID_SMOOTHING_S:
            smooth = smoothed(self.filled, float(smoothing_s), fs_hz=FS_HZ)
            for delay_s in GRID_DELAY_S:
                at = np.clip(index - round(delay_s * FS_HZ), 0, smooth.size - 1)
                left = self.hr_bpm - smooth[at]
                bias = float(np.median(left))
                loss = float(np.abs(left - bias).sum())
                if loss < least:
                    best, least = np.array([delay_s, smoothing_s, bias]), loss
        return best

    def _blocks(self) -> IntArray:
        """Return the block number of every reading; empty blocks take no number."""
        block = np.floor((self.time_s - self.time_s[0]) / BLOCK_S)
        return np.unique(block, return_inverse=True)[1]

    def _half_widths(self, parameters: FloatArray, left: FloatArray) -> list[float]:
        """Return half of each 95 % interval, in units of the errors' scale.

        ``left (m,)`` are the errors over that scale. The sandwich: scores are summed within each
        block, since errors there go together, and stand between two inverses of the curvature.
        """
        jacobian = self._jacobian(parameters)
        weight = 1.0 / (1.0 + np.square(left))
        curvature = (1.0 - np.square(left)) * np.square(weight)
        block = self._blocks()
        scores = np.zeros((int(block.max()) + 1, parameters.size))
        np.add.at(scores, block, jacobian * (weight * left)[:, np.newaxis])
        bread = np.linalg.pinv((jacobian.T * curvature) @ jacobian)
        covariance = bread @ (scores.T @ scores) @ bread
        freedom = max(scores.shape[0] - parameters.size, 1)
        factor = np.sqrt(scores.shape[0] / freedom) * float(stats.t.ppf(0.975, freedom))
        return [float(factor * np.sqrt(max(value, 0.0))) for value in np.diag(covariance)]

    def _jacobian(self, parameters: FloatArray) -> FloatArray:
        """Return how errors change with each parameter, by central differences."""
        columns = []
        for place, step in enumerate(JACOBIAN_STEPS):
            by = np.zeros(parameters.size)
            by[place] = step
            low = np.maximum(parameters - by, (-np.inf, 0.0, -np.inf))
            rise = self._errors(parameters + by) - self._errors(low)
            columns.append(rise / (parameters + by - low)[place])
        return np.column_stack(columns)


def smoothed(values: FloatArray, smoothing_s: float, *, fs_hz: float) -> FloatArray:
    """Return the exponential average of time constant ``smoothing_s``, begun in balance.

    Exact for a course that is straight between samples, so the rate does not matter.
    """
    if smoothing_s <= 0.0:
        return values
    steps = smoothing_s * fs_hz
    keep = float(np.exp(-1.0 / steps))
    held = (1.0 - keep) * steps
    start = [held * values[0]]
    return np.asarray(signal.lfilter([1.0 - held, held - keep], [1.0, -keep], values, zi=start)[0])
