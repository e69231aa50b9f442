"""What each session's error would have been at the same motion.

A rough evening makes any firmware look bad. The windows' absolute errors are taken apart into
what their motion intensity predicts, a curve that never falls (isotonic regression, as in
``dose_response``), and one number per session (analysis of covariance with a monotone covariate:
Fisher 1932, "Statistical Methods for Research Workers", ch. 49.1; fitted in turns, Buja, Hastie
& Tibshirani 1989, Ann Stat 17:453). The curve is learned within sessions, so that a difference
between sessions cannot pass for one of motion.

Assumption: the difference between sessions is the same at every intensity. Where it grows with
motion, what is returned is its mean over the motion of all sessions together.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.optimize import isotonic_regression

from palpate.signals import FloatArray

MOST_TURNS = 200
SETTLED_BPM = 1e-3
MIDDLE_PERCENT = (5.0, 95.0)
LEAST_IN_COMMON = 0.5
"""Of each side's windows so many must lie in the middle of the other's motion (own choice)."""


def errors_at_equal_motion(
    motion_g: Sequence[FloatArray], error_bpm: Sequence[FloatArray]
) -> FloatArray:
    """Return each session's mean absolute error at the motion of all sessions, ``(n_sessions,)``.

    Parameters
    ----------
    motion_g, error_bpm
        Per session ``(n,)``, finite, at least one window; every session counts alike.

    Notes
    -----
    Their mean is that of the sessions' mean absolute errors as they were.
    """
    sizes = np.array([one.size for one in error_bpm])
    session = np.repeat(np.arange(sizes.size), sizes)
    weight = 1.0 / sizes[session]
    error = np.abs(np.concatenate(error_bpm))
    _, level = np.unique(np.concatenate(motion_g), return_inverse=True)
    held = np.bincount(level, weights=weight)
    own = np.bincount(session, weights=weight * error)
    for _ in range(MOST_TURNS):
        total = np.bincount(level, weights=weight * (error - own[session]))
        curve = isotonic_regression(total / held, weights=held).x[level]
        before, own = own, np.bincount(session, weights=weight * (error - curve))
        if np.ptp(own - before) < SETTLED_BPM:
            break
    return np.asarray(own + np.average(curve, weights=weight))


def motion_in_common(first_g: FloatArray, second_g: FloatArray) -> bool:
    """Return whether two sides moved enough alike that their errors can be compared at all."""
    return all(
        np.mean((one >= low) & (one <= high)) >= LEAST_IN_COMMON
        for one, other in ((first_g, second_g), (second_g, first_g))
        for low, high in [np.percentile(other, MIDDLE_PERCENT)]
    )
