"""Take the steps and spikes out of windows of light by limiting how fast it may change.

A grip that shifts moves the light's level by many pulses at once, and one such step or spike
fills a window's whole spectrum. Among the changes from sample to sample it is an outlier. So each
change is limited to ``STEEPEST`` times the upper quartile of the window's absolute changes, and
the limited changes are summed up again (winsorising; Huber 1981, Robust Statistics, ch. 1). A
steepness that a quarter of the window shares, as in a pulse and in rhythmic motion, sets that
quartile itself and so stays as it is.
"""

from __future__ import annotations

import numpy as np

from palpate.signals import FloatArray

STEEPEST = 3.0
"""In upper quartiles: 3.5 standard deviations of Gaussian noise, three times what a sine
reaches; 2.5 to 3.5 serve alike."""


def without_jumps(windows: FloatArray) -> FloatArray:
    """Return ``windows (w, width, c)`` with each window's changes bounded."""
    change = np.diff(windows, axis=1)
    quartile = 3 * change.shape[1] // 4
    usual = np.partition(np.abs(change), quartile, axis=1)[:, quartile : quartile + 1]
    np.clip(change, -STEEPEST * usual, STEEPEST * usual, out=change)
    return np.concatenate([windows[:, :1], windows[:, :1] + np.cumsum(change, axis=1)], axis=1)
