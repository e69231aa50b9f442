"""QRS detection: one entry point for every detector.

Conventions
-----------
* ECG in any unit and polarity, ``(n,)`` or ``(n, leads)``; time along axis 0; NaN is missing.
* Marks are sample indices of the largest deflection of each QRS complex, sorted, unique.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from palpate.conditioning import bridge_gaps
from palpate.ecg.slope import slope_beats
from palpate.signals import IntArray
from palpate.validation import InputError, checked_choice, checked_columns, checked_rate

METHODS = ("slope",)
MIN_ECG_RATE_HZ = 50.0


def detect_qrs(ecg: ArrayLike, *, fs_hz: float, method: str = "slope") -> IntArray:
    """Return the sample index of every QRS complex, ``(beats,)``, sorted and unique."""
    leads = checked_columns(ecg, "ecg")
    fs_hz = checked_rate(fs_hz)
    if fs_hz < MIN_ECG_RATE_HZ:
        raise InputError(f"fs_hz is {fs_hz:g} Hz; QRS detection needs {MIN_ECG_RATE_HZ:g} Hz")
    checked_choice(method, METHODS, "method")
    filled, missing = bridge_gaps(leads)
    beats = slope_beats(filled, fs_hz=fs_hz)
    measured = ~np.all(missing, axis=1)
    return np.asarray(beats[measured[beats]], dtype=np.intp)
