"""Follow one heart rate through a record of uncertain windows: a hidden Markov chain.

States are the candidate rates, one per bpm or finer. From window to window the rate moves by a
Laplace-distributed step, and once in a while anywhere, which lets the track start anywhere
and recover from anything. The forward pass gives the distribution of the rate given the
past; forward and backward passes together give it given the whole record (Rabiner 1989,
Proc IEEE 77:257, sec. III-A and III-B, with its scaling).
"""

from __future__ import annotations

import numpy as np

from palpate.signals import FloatArray

WANDER_BPM = 1.4
"""Mean absolute change of the rate in a second; in longer steps it grows with the root of time,
as in a random walk. 2 bpm in the usual 2 s: the steepest exercise onset, 60 bpm with a time
constant of 57.6 s (Hunt 2015, doi 10.1186/s12938-015-0112-7), starts at 1.04 bpm/s."""
ANYWHERE = 1e-4
"""Probability that the next rate has nothing to do with this one."""


def forward(log_evidence: FloatArray, rate_bpm: FloatArray, *, step_s: float) -> FloatArray:
    """Return the rate's distribution given the past, ``(w, h)``, rows summing to 1.

    Of several tracks ``(..., w, h)``, each by itself.
    """
    moves, likelihood = _transition(rate_bpm, step_s), _likelihood(log_evidence)
    result = np.empty_like(likelihood)
    belief = np.full_like(likelihood[0], 1.0 / rate_bpm.size)
    for window, row in enumerate(likelihood):
        belief = (belief @ moves) * row
        belief /= belief.sum(axis=-1, keepdims=True)
        result[window] = belief
    return np.moveaxis(result, 0, -2)


def forward_backward(
    log_evidence: FloatArray, rate_bpm: FloatArray, *, step_s: float
) -> FloatArray:
    """Return the rate's distribution given the whole record, ``(w, h)``, rows summing to 1.

    Of several tracks ``(..., w, h)``, each by itself.
    """
    moves, likelihood = _transition(rate_bpm, step_s).T, _likelihood(log_evidence)
    result = np.moveaxis(forward(log_evidence, rate_bpm, step_s=step_s), -2, 0)
    future = np.ones_like(likelihood[0])
    for window in range(result.shape[0] - 2, -1, -1):
        future = (future * likelihood[window + 1]) @ moves
        future /= future.sum(axis=-1, keepdims=True)
        result[window] *= future
    result /= result.sum(axis=-1, keepdims=True)
    return np.moveaxis(result, 0, -2)


def mean_near_peak(
    belief: FloatArray, weights: FloatArray, rate_bpm: FloatArray, *, half_width_bpm: float
) -> FloatArray:
    """Return the mean rate ``(w,)``, by ``weights``, around the rate that has most ``belief``."""
    peak = rate_bpm[np.argmax(belief, axis=1)][:, np.newaxis]
    near = weights * (np.abs(rate_bpm - peak) <= half_width_bpm)
    return np.asarray(near @ rate_bpm / near.sum(axis=1))


def _transition(rate_bpm: FloatArray, step_s: float) -> FloatArray:
    """Return the probability ``(h, h)`` of moving from the row's rate to the column's."""
    distance = np.abs(rate_bpm[:, np.newaxis] - rate_bpm)
    moves = np.exp(-distance / (WANDER_BPM * np.sqrt(step_s)))
    moves /= moves.sum(axis=1, keepdims=True)
    return np.asarray((1.0 - ANYWHERE) * moves + ANYWHERE / rate_bpm.size)


def _likelihood(log_evidence: FloatArray) -> FloatArray:
    """Return likelihoods with the windows first, ``(w, ..., h)``."""
    likelihood = np.exp(log_evidence - log_evidence.max(axis=-1, keepdims=True))
    return np.moveaxis(likelihood, -2, 0)
