"""Local time that jumps by law: the hour that summer time takes in spring and gives in autumn.

Stamps without a zone follow the clock on the wall. Where two neighbours differ by the
usual step and one hour more or less, to within `SLACK_STEPS` steps, early on a full hour,
the wall clock was changed and the hour is taken out again. Any other step backwards stays,
and is refused by whoever asks for sorted times.
"""

from __future__ import annotations

import numpy as np

from palpate.signals import FloatArray

HOUR_S = 3600.0
SLACK_STEPS = 3.0
# Clocks change at a full hour of local time, between midnight and four in most places; a
# few readings may be missing there.
FULL_HOUR_S = 120.0
LATEST_H = 4
FEWEST = 4  # stamps that show a usual step beside the one that jumps


def without_daylight_jumps(local_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return local seconds that run on, and the seconds at which the wall clock jumped.

    Parameters
    ----------
    local_s
        ``(n,)`` wall-clock seconds since any midnight.
    """
    if local_s.size < FEWEST:
        return local_s, np.empty(0)
    steps = np.diff(local_s)
    usual_s = float(np.median(steps))
    extra_s = steps - usual_s
    an_hour = np.abs(np.abs(extra_s) - HOUR_S) <= SLACK_STEPS * usual_s
    past_full_hour_s = (local_s[1:] + FULL_HOUR_S / 2.0) % HOUR_S
    hour = np.round(local_s[1:] / HOUR_S) % 24
    lawful = (past_full_hour_s <= FULL_HOUR_S) & (hour <= LATEST_H)
    jump = np.where(lawful & an_hour, np.sign(extra_s), 0.0)
    moved = local_s - HOUR_S * np.concatenate(([0.0], np.cumsum(jump)))
    return moved, local_s[1:][jump != 0.0]
