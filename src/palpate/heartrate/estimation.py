"""One call for every estimator: heart rate per window from wrist light and motion.

Conventions
-----------
* Window ``k`` is ``[start_s + k * step_s, start_s + k * step_s + window_s)``; there is one
  row for each that fits the record.
* A window whose light is flat or misses too many samples has no rate, and says why.
* Confidence is a number in 0..1 that ranks the windows of one method; it is comparable
  between records of one method, not between methods.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np

from palpate.conditioning import STEP_S, WINDOW_S
from palpate.heartrate.adaptive import adaptive
from palpate.heartrate.conventional import conventional
from palpate.heartrate.preparation import WindowedSignals, prepare
from palpate.heartrate.robust import robust, robust_online
from palpate.signals import FloatArray, RateSeries
from palpate.validation import checked_choice

Method = Callable[[WindowedSignals], tuple[FloatArray, FloatArray]]

METHODS: Mapping[str, Method] = MappingProxyType(
    {
        "conventional": conventional,
        "adaptive": adaptive,
        "robust": robust,
        "robust_online": robust_online,
    }
)
NEEDS_MOTION = frozenset({"adaptive", "robust", "robust_online"})


def estimate(
    ppg: FloatArray,
    acc: FloatArray | None,
    *,
    fs_hz: float,
    start_s: float = 0.0,
    window_s: float = WINDOW_S,
    step_s: float = STEP_S,
    method: str = "robust",
) -> RateSeries:
    """Estimate heart rate per window.

    Parameters
    ----------
    ppg
        Light ``(n,)`` or ``(n, c)``, any gain, offset and polarity; NaN where missing.
    acc
        Acceleration ``(n,)`` or ``(n, a)`` at the same rate, any unit and orientation.
        Without it (None or no axis), and in windows that miss it, the estimators that need
        it use light alone; there, and where an axis is missing, ``robust`` and
        ``robust_online`` are less confident.
    fs_hz
        Samples per second of both, 20 Hz or more.
    start_s
        Time of the first sample; moves the windows' times only.
    window_s, step_s
        Length and spacing of the windows.
    method
        A key of ``METHODS``: ``"robust"`` is the most accurate, ``"robust_online"`` knows no
        sample of its future, ``"conventional"`` is a plain band's and uses the light alone.

    Returns
    -------
    RateSeries
        Rates between 30 and 230 bpm.

    Raises
    ------
    InputError
        If there is no light channel, lengths differ, the rate is below 20 Hz, the
        window is shorter than 4 s, or the method is unknown.
    """
    checked_choice(method, METHODS, "method")
    prepared = prepare(ppg, acc, fs_hz=fs_hz, start_s=start_s, window_s=window_s, step_s=step_s)
    hr_bpm = confidence = np.empty(0)
    if prepared.start_s.size:
        hr_bpm, confidence = METHODS[method](prepared.signals)
    answered = prepared.reason == ""
    return RateSeries(
        source=method,
        start_s=prepared.start_s,
        end_s=prepared.end_s,
        hr_bpm=np.where(answered, hr_bpm, np.nan),
        confidence=np.where(answered, confidence, np.nan),
        reason=prepared.reason,
    )
