"""QRS detection: one entry point for every detector.

Conventions
-----------
* ECG in any unit, gain and polarity, ``(n,)`` for one lead or ``(n, leads)`` for several that
  are fused; time runs along axis 0; NaN and inf are missing samples.
* A mark is the sample of the R peak, or the middle of a complex that has no narrow peak, as
  the first lead shows it. Marks are sorted and unique; none lies on a sample that is missing
  in every lead.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from palpate.conditioning import bridge_gaps
from palpate.ecg.library_detectors import PREFIX, library_beats
from palpate.ecg.slope import slope_beats
from palpate.ecg.wavelet import wavelet_beats
from palpate.signals import FloatArray, IntArray
from palpate.validation import InputError, checked_choice, checked_columns, checked_rate

MIN_ECG_RATE_HZ = 80.0
_DETECTORS = {"slope": slope_beats, "wavelet": wavelet_beats}

METHODS = tuple(_DETECTORS)
"""The detectors written here; ``neurokit:NAME`` names any of neurokit2's."""


def detect_qrs(ecg: ArrayLike, *, fs_hz: float, method: str = "slope") -> IntArray:
    """Return the sample index of every QRS complex.

    Parameters
    ----------
    ecg
        ``(n,)`` or ``(n, leads)``, any unit; not changed.
    fs_hz
        Samples per second, at least 80; made for 100 to 2000.
    method
        ``"slope"``: energy, shape and rhythm over the whole record, the most accurate and
        the fastest; ``"wavelet"``: multiscale products and thresholds, a second opinion by
        another principle; ``"neurokit:NAME"``: a method of neurokit2, for one lead.

    Returns
    -------
    IntArray
        ``(beats,)`` sorted, unique; empty where there is nothing to find.

    Raises
    ------
    InputError
        If the ECG, the rate or the method cannot be used.
    """
    leads = np.asfortranarray(checked_columns(ecg, "ecg"))  # each lead in one piece of memory
    fs_hz = checked_rate(fs_hz)
    if fs_hz < MIN_ECG_RATE_HZ:
        raise InputError(
            f"fs_hz is {fs_hz:g} Hz; QRS detection needs at least {MIN_ECG_RATE_HZ:g} Hz"
        )
    if not str(method).startswith(PREFIX):
        checked_choice(method, (*METHODS, f"{PREFIX}NAME"), "method")
    filled, missing = bridge_gaps(leads)
    if missing.all():
        return np.zeros(0, dtype=np.intp)
    beats = _run(filled, fs_hz, method)
    if not missing.any():
        return beats
    measured = ~np.all(missing, axis=1)
    return np.asarray(beats[measured[beats]], dtype=np.intp)


def _run(leads: FloatArray, fs_hz: float, method: str) -> IntArray:
    if method in _DETECTORS:
        return _DETECTORS[method](leads, fs_hz=fs_hz)
    if leads.shape[1] != 1:
        raise InputError(
            f"method {method!r} takes a single lead, and ecg has {leads.shape[1]}; choose one"
        )
    return library_beats(leads[:, 0], fs_hz=fs_hz, method=method)
