"""Window grids: ``[start, end)`` windows of equal length at equal steps.

The default of 8 s every 2 s is the protocol of the wrist-PPG literature
(Zhang, Pi & Liu 2015, IEEE Trans Biomed Eng 62:1902).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from palpate.conditioning.statistics import window_means
from palpate.signals import BoolArray, FloatArray, IntArray, WindowTable
from palpate.validation import InputError, checked_positive, checked_rate

WINDOW_S = 8.0
STEP_S = 2.0
SHORTEST_WINDOW_S = 0.5
"""A shorter window holds too little of any band in which a signal is measured (own choice)."""
_EPS = 1e-9


def window_grid(
    start_s: float, end_s: float, *, window_s: float = WINDOW_S, step_s: float = STEP_S
) -> tuple[FloatArray, FloatArray]:
    """Return starts and ends ``(n,)`` of every whole window inside ``[start_s, end_s)``.

    Window ``k`` is ``[start_s + k * step_s, start_s + k * step_s + window_s)``.
    A span shorter than one window gives empty arrays.
    """
    window_s = checked_positive(window_s, "window_s")
    step_s = checked_positive(step_s, "step_s")
    if not np.isfinite([start_s, end_s]).all():
        raise InputError(f"windows from {start_s:g} to {end_s:g} s cannot be; give finite times")
    count = int(np.floor((end_s - start_s - window_s) / step_s + _EPS)) + 1
    starts = start_s + step_s * np.arange(max(count, 0), dtype=np.float64)
    return starts, starts + window_s


def window_samples(
    n_samples: int, *, fs_hz: float, window_s: float = WINDOW_S, step_s: float = STEP_S
) -> tuple[IntArray, int]:
    """Return the first sample of every whole window ``(n,)`` and how many samples each holds.

    Starts are rounded to the nearest sample, so windows keep their time at rates
    where a step is no whole number of samples.
    """
    fs_hz = checked_rate(fs_hz)
    width = round(checked_positive(window_s, "window_s") * fs_hz)
    if width == 0:
        raise InputError(f"a window of {window_s:g} s holds no sample at {fs_hz:g} Hz")
    starts, _ = window_grid(0.0, n_samples / fs_hz, window_s=window_s, step_s=step_s)
    first = np.round(starts * fs_hz).astype(np.intp)
    return np.minimum(first, n_samples - width), width  # where start and width both round up


@dataclass(frozen=True, slots=True, eq=False)
class SignalWindows:
    """Every whole window of one signal: which samples it holds, and when it begins.

    ``first (n,)`` is the first sample of each and ``start_s (n,)`` its time; each holds ``width``
    samples at ``fs_hz`` and lasts ``window_s``.
    """

    first: IntArray
    width: int
    fs_hz: float
    start_s: FloatArray
    window_s: float

    @classmethod
    def of(
        cls, n_samples: int, *, fs_hz: float, start_s: float, window_s: float, step_s: float
    ) -> SignalWindows:
        """Lay windows over a signal whose first sample, and first window, is at ``start_s``.

        Raises
        ------
        InputError
            If the windows are shorter than `SHORTEST_WINDOW_S`, or hold no sample.
        """
        if checked_positive(window_s, "window_s") < SHORTEST_WINDOW_S:
            raise InputError(
                f"window_s is {window_s:g} s; what is measured window by window needs "
                f"{SHORTEST_WINDOW_S:g} s or more"
            )
        first, width = window_samples(n_samples, fs_hz=fs_hz, window_s=window_s, step_s=step_s)
        starts = start_s + step_s * np.arange(first.size, dtype=np.float64)
        return cls(first, width, fs_hz, starts, window_s)

    def __len__(self) -> int:
        return int(self.first.size)

    def at_rate(self, fs_hz: float, n_samples: int) -> SignalWindows:
        """Return the same windows over the same signal at another rate.

        Parameters
        ----------
        fs_hz, n_samples
            Rate and length of the resampled signal.
        """
        width = int(self.width * fs_hz / self.fs_hz)
        first = np.round(self.first * fs_hz / self.fs_hz).astype(np.intp)
        first = np.clip(first, 0, max(n_samples - width, 0))
        return replace(self, first=first, width=width, fs_hz=fs_hz)

    def means(self, values: FloatArray | BoolArray) -> FloatArray:
        """Return the mean of the finite samples of each window, ``(n, ...)``."""
        return window_means(values, self.first, self.width)

    def of_samples(self, values: FloatArray) -> FloatArray:
        """Return ``(n, width, ...)``: the samples of each window."""
        return windowed(values, self.first, self.width)

    def table(self, columns: Mapping[str, NDArray[Any]] | None = None) -> WindowTable:
        """Return a table of these windows."""
        return WindowTable(self.start_s, self.start_s + self.window_s, columns or {})


def windowed(values: FloatArray, first: IntArray, width: int) -> FloatArray:
    """Return ``(n_windows, width, ...)``: the samples of each window along axis 1 (a copy)."""
    index = first[:, np.newaxis] + np.arange(width)
    return np.asarray(values[index], dtype=np.float64)
