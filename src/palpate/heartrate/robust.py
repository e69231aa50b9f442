"""Our best estimator, without training: cancel motion, weigh the evidence, follow the pulse.

1. Take out of each light channel what the accelerometer predicts (``cancellation``).
2. Weigh how strongly the rest speaks for each rate from 30 to 230 bpm (``evidence``).
3. Follow the rate through the record (``tracking``); read it off around the most probable
   rate, and give the probability of being within 5 bpm of it as the confidence.

``robust`` uses the whole record, ``robust_online`` the past only: its row for a window does
not change by what comes after the window's end.
"""

from __future__ import annotations

from palpate.heartrate.cancellation import cancel_motion
from palpate.heartrate.evidence import log_evidence
from palpate.heartrate.preparation import WristSignals
from palpate.heartrate.spectra import rate_axis
from palpate.heartrate.tracking import forward, forward_backward, read_out
from palpate.signals import FloatArray

TOLERANCE_BPM = 5.0


def robust(signals: WristSignals) -> tuple[FloatArray, FloatArray]:
    """Return rate in bpm and confidence in 0..1 per window, ``(w,)`` each."""
    axis = rate_axis(signals)
    cancelled = cancel_motion(signals, axis, look_ahead=True)
    fresh_s = min(signals.step_s, signals.width / signals.fs_hz)
    evidence = log_evidence(cancelled, signals.usable, axis, fresh_s=fresh_s)
    belief = forward_backward(evidence, axis.rate_bpm, step_s=signals.step_s)
    return read_out(belief, axis.rate_bpm, half_width_bpm=TOLERANCE_BPM)


def robust_online(signals: WristSignals) -> tuple[FloatArray, FloatArray]:
    """Return rate in bpm and confidence in 0..1 per window, ``(w,)`` each; no look ahead."""
    axis = rate_axis(signals)
    cancelled = cancel_motion(signals, axis, look_ahead=False)
    fresh_s = min(signals.step_s, signals.width / signals.fs_hz)
    evidence = log_evidence(cancelled, signals.usable, axis, fresh_s=fresh_s)
    belief = forward(evidence, axis.rate_bpm, step_s=signals.step_s)
    return read_out(belief, axis.rate_bpm, half_width_bpm=TOLERANCE_BPM)
