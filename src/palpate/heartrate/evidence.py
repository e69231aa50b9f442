"""How strongly one window of light speaks for each candidate heart rate.

For a sinusoid in white noise of unknown power, Bretthorst 1988 (Bayesian Spectrum Analysis
and Parameter Estimation, Lecture Notes in Statistics 48, ch. 2) gives the log evidence of a
frequency as ``-(N - 2) / 2 * log(1 - g)``, with ``g`` the share of the energy that a
sinusoid of that frequency explains. It is what makes the tracker robust: a window with a
clear line speaks loudly, a window of noise hardly at all, without any threshold.

Deviations
----------
* ``g`` is read off the Hann periodogram of the light after motion was taken out, and
  includes the second harmonic as far as it is not stronger than ``HARMONIC`` times the
  fundamental, so that half the rate is not credited with the pulse itself.
* Where motion explained much, an imperfect cancellation leaves more behind: the line is
  weighted down there, by ``LEAKAGE`` times the power that was taken out (a Wiener gain).
* Noise left by motion is stronger at low or high rates. The spectrum is whitened half way,
  by the square root of a smooth spectrum through it; all the way would lift harmonics
  and quiet regions to the pulse's own height.
* Grip and breath move the light slowly, and the flank of such drift reaches into the slow
  rates. So of each bin only what exceeds the least power in any slower bin counts as a line: a
  spectrum that merely falls from its lowest bin on has none. The drift still counts as energy
  that is to be explained.
* ``N`` counts only the samples that the window before does not share, and fewer than those,
  since what is left of the light is not white noise.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from palpate.conditioning.statistics import ratio
from palpate.heartrate.cancellation import Cancelled
from palpate.heartrate.spectra import RateAxis, power
from palpate.signals import BoolArray, FloatArray

HARMONIC = 0.5
LEAKAGE = 0.05
EVIDENCE_PER_S = 5.0
"""White noise in a band of 7 Hz would allow (N - 2) / 2 = 7 per second; 4 to 7 serve alike."""
MIN_REST = 0.03
"""Share that at least is not the line: no window of real light is purer."""
SMOOTH_BPM = 80.0
"""Width of the running means: several lines wide."""
FLOOR = 0.02
"""Of the mean power: keeps the gaps between clear lines from passing for quiet."""
TINY = np.finfo(np.float64).tiny


def log_evidence(
    cancelled: Cancelled, usable: BoolArray, axis: RateAxis, *, fresh_s: float
) -> FloatArray:
    """Return the log evidence ``(w, h)`` of each candidate rate, up to a constant.

    Parameters
    ----------
    usable
        ``(w, c)`` channels to listen to; the evidence is their mean, since one motion
        disturbs them all; where there is none, the evidence is flat.
    fresh_s
        Seconds of light that a window adds to its predecessor.
    """
    rest, explained = power(cancelled.rest), power(cancelled.explained)
    colour = _colour(rest, axis)
    weight = ratio(
        axis.line_bins / colour, (rest / colour).sum(axis=1, keepdims=True), undefined=0.0
    )
    line = _above_drift(rest) * rest / np.maximum(rest + LEAKAGE * explained, TINY)
    candidates, double = axis.candidates, axis.second_harmonic()
    fundamental = line[:, candidates]
    harmonic = np.minimum(maximum_filter1d(line, 3, axis=1)[:, double], HARMONIC * fundamental)
    share = fundamental * weight[:, candidates] + harmonic * weight[:, double]
    evidence = EVIDENCE_PER_S * fresh_s * np.log1p(share / np.maximum(1.0 - share, MIN_REST))
    heard = usable[:, np.newaxis, :]
    return np.asarray((evidence * heard).sum(axis=2) / np.maximum(usable.sum(axis=1), 1)[:, None])


def _above_drift(rest: FloatArray) -> FloatArray:
    """Return what ``rest (w, f, c)`` rises above the least power at or below each bin."""
    return np.asarray(rest - np.minimum.accumulate(rest, axis=1))


def _colour(rest: FloatArray, axis: RateAxis) -> FloatArray:
    """Return the square root of a smooth spectrum through ``rest (w, f, c)``.

    Two running means of the logarithm, so that a single line hardly lifts it.
    """
    width = 2 * round(0.5 * SMOOTH_BPM / (axis.rate_bpm[1] - axis.rate_bpm[0])) + 1
    smooth = np.log(rest + FLOOR * rest.mean(axis=1, keepdims=True) + TINY)
    for _ in range(2):
        smooth = uniform_filter1d(smooth, width, axis=1, mode="nearest")
    return np.asarray(np.exp(0.5 * smooth))
