"""Our best estimator, without training: cancel motion, weigh the evidence, follow the pulse.

1. Bound the steps and spikes of each window's light (``transients``).
2. Take out of each light channel what the accelerometer predicts (``cancellation``).
3. Weigh how strongly the rest speaks for each rate from 30 to 230 bpm (``evidence``).
4. Follow the rate through the record (``tracking``) and read it off around the most
   probable one.
5. With the whole record at hand, sharpen by phase (``refinement``) and average over 6 s.

Confidence: the probability of being within 5 bpm, from a second track that listens to a
quarter of the evidence only, times the amplitude share of the line there that motion does
not explain. The first guards against false evidence that persists from window to window,
the second against cadence that was not taken out whole. In windows without a whole
accelerometer that share is not known and is taken to be `UNMEASURED`.

``robust`` uses the whole record, ``robust_online`` the past only: its row for a window does
not change by what comes after the window's end.

Lag: a forward-only track trails a changing rate. Against the reference of the SPC training
set it is 0.7 s behind (0.2 s with the whole record), error regressed on the reference's
slope. Extrapolating by that much was tried and costs more in noise than it gains; what does
help is to let a window's own light count twice when the rate is read off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import uniform_filter1d

from palpate.conditioning.statistics import ratio
from palpate.heartrate.cancellation import (
    Cancelled,
    cancel_motion,
    learn_filters,
    window_portions,
)
from palpate.heartrate.evidence import log_evidence
from palpate.heartrate.preparation import WindowedSignals
from palpate.heartrate.refinement import phase_refined
from palpate.heartrate.spectra import ComplexArray, RateAxis, power, rate_axis
from palpate.heartrate.tracking import forward, forward_backward, mean_near_peak
from palpate.heartrate.transients import without_jumps
from palpate.signals import FloatArray

TOLERANCE_BPM = 5.0
SMOOTHED_S = 6.0
"""Three windows at the default step."""
TEMPER = 0.25
"""Share of the evidence that the second track, from which confidence comes, listens to. What
fools a tracker lasts about as long as the cancellation's memory, four windows at the default, so
four windows say no more than one; 0.2 to 0.4 rank windows alike."""
UNMEASURED = 0.5
"""Share of a line taken for the pulse where no accelerometer can tell it from motion."""


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """What is left of each window once motion is out, for every candidate rate.

    ``evidence (w, h)``; ``rest (w, h, c)`` complex spectra; ``kept (w, h)`` the share of the
    light's power around each rate that motion does not explain.
    """

    evidence: FloatArray
    rest: ComplexArray
    kept: FloatArray


def robust(signals: WindowedSignals) -> tuple[FloatArray, FloatArray]:
    """Return rate in bpm and confidence in 0..1 per window, ``(w,)`` each."""
    axis = rate_axis(signals)
    heard = _listen(signals, axis, look_ahead=True)
    both = _sure_and_doubtful(heard.evidence)
    belief, doubtful = forward_backward(both, axis.rate_bpm, step_s=signals.step_s)
    tracked = mean_near_peak(belief, belief, axis.rate_bpm, half_width_bpm=TOLERANCE_BPM)
    half_span = round(0.5 * signals.width / (signals.fs_hz * signals.step_s))
    hr_bpm = phase_refined(tracked, heard.rest, axis, half_span=half_span, step_s=signals.step_s)
    smoothed = 2 * int(0.5 * SMOOTHED_S / signals.step_s) + 1
    hr_bpm = uniform_filter1d(hr_bpm, smoothed, mode="nearest")
    hr_bpm = np.clip(hr_bpm, axis.rate_bpm[0], axis.rate_bpm[-1])
    return hr_bpm, _confidence(tracked, doubtful, heard.kept, axis)


def robust_online(signals: WindowedSignals) -> tuple[FloatArray, FloatArray]:
    """Return rate in bpm and confidence in 0..1 per window, ``(w,)`` each; no look ahead."""
    axis = rate_axis(signals)
    heard = _listen(signals, axis, look_ahead=False)
    both = _sure_and_doubtful(heard.evidence)
    belief, doubtful = forward(both, axis.rate_bpm, step_s=signals.step_s)
    sharper = belief * np.exp(heard.evidence - heard.evidence.max(axis=1, keepdims=True))
    hr_bpm = mean_near_peak(belief, sharper, axis.rate_bpm, half_width_bpm=TOLERANCE_BPM)
    return hr_bpm, _confidence(hr_bpm, doubtful, heard.kept, axis)


def _listen(signals: WindowedSignals, axis: RateAxis, *, look_ahead: bool) -> Heard:
    bounded = [without_jumps(signals.ppg_windows[part]) for part in window_portions(signals)]
    signals = replace(signals, ppg_windows=np.concatenate(bounded))
    filters = learn_filters(signals, look_ahead=look_ahead)
    fresh_s = min(signals.step_s, signals.width / signals.fs_hz)
    evidence, rest, kept = [], [], []
    for part in window_portions(signals):
        cancelled = cancel_motion(signals, axis, filters, part)
        evidence.append(log_evidence(cancelled, signals.usable[part], axis, fresh_s=fresh_s))
        rest.append(cancelled.rest[:, axis.candidates])
        kept.append(_kept(cancelled, axis))
    heard = Heard(np.concatenate(evidence), np.concatenate(rest), np.concatenate(kept))
    heard.kept[~signals.measured] = UNMEASURED
    return heard


def _sure_and_doubtful(evidence: FloatArray) -> FloatArray:
    """Return what each of the two tracks listens to, ``(2, w, h)``."""
    return np.stack([evidence, TEMPER * evidence])


def _kept(cancelled: Cancelled, axis: RateAxis) -> FloatArray:
    """Return the share of power within 5 bpm that motion does not explain, ``(w, h)``."""
    reach = round(TOLERANCE_BPM / (axis.rate_bpm[1] - axis.rate_bpm[0]))
    rest, explained = (
        uniform_filter1d(power(spectra), 2 * reach + 1, axis=1)[:, axis.candidates]
        for spectra in (cancelled.rest, cancelled.explained)
    )
    total = rest + explained
    lit = np.maximum((total > 0).sum(axis=2), 1)
    return np.asarray(ratio(rest, total, undefined=0.0).sum(axis=2) / lit)


def _confidence(
    hr_bpm: FloatArray, belief: FloatArray, kept: FloatArray, axis: RateAxis
) -> FloatArray:
    """Return the belief within 5 bpm, times the share of amplitude there that is not motion."""
    distance = np.abs(axis.rate_bpm - hr_bpm[:, np.newaxis])
    at_rate = kept[np.arange(hr_bpm.size), distance.argmin(axis=1)]
    believed = (belief * (distance <= TOLERANCE_BPM)).sum(axis=1)
    return np.asarray(believed * np.sqrt(at_rate))
