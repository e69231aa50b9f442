"""QRS detectors of neurokit2 by name, as second opinions.

``neurokit:NAME`` runs the method ``NAME`` of neurokit2's ``ecg_peaks`` after its ``ecg_clean``
of the same name, or its default cleaning where a method has none (Makowski et al. 2021,
Behav Res Methods 53:1689). The library is imported when one is asked for: that takes seconds.
"""

from __future__ import annotations

import warnings

import numpy as np

from palpate.signals import FloatArray, IntArray
from palpate.validation import InputError

PREFIX = "neurokit:"


def library_beats(lead: FloatArray, *, fs_hz: float, method: str) -> IntArray:
    """Return QRS sample indices of one finite ``lead (n,)`` by the detector ``method``.

    Raises
    ------
    InputError
        If neurokit2 is not installed, does not know the method, or fails on this ECG.
    """
    try:
        import neurokit2  # noqa: PLC0415 - its import takes seconds
    except ModuleNotFoundError:
        raise InputError(f"method {method!r} needs neurokit2; install it first") from None
    name = method.removeprefix(PREFIX)
    rate = int(fs_hz) if float(fs_hz).is_integer() else fs_hz
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            cleaned = _cleaned(neurokit2, lead, rate, name)
            _, found = neurokit2.ecg_peaks(cleaned, sampling_rate=rate, method=name)
        except (ValueError, IndexError, ZeroDivisionError, TypeError) as fault:
            raise InputError(f"neurokit2's {name!r} cannot read this ECG ({fault})") from fault
    peaks = np.asarray(found["ECG_R_Peaks"], dtype=np.float64)
    return np.unique(peaks[np.isfinite(peaks)]).astype(np.intp)


def check_library_method(method: str) -> None:
    """Refuse a ``neurokit:NAME`` that neurokit2 does not know, before anything is run.

    Raises
    ------
    InputError
        If there is no such detector, or neurokit2 is not installed.
    """
    spikes = np.zeros(5000)
    spikes[250::250] = 1.0
    try:
        library_beats(spikes, fs_hz=250.0, method=method)
    except InputError as fault:
        if "not implemented" in str(fault) or "needs neurokit2" in str(fault):
            raise InputError(f"there is no detector {method!r}: {fault}") from None


def _cleaned(neurokit2: object, lead: FloatArray, rate: float, name: str) -> FloatArray:
    clean = neurokit2.ecg_clean  # type: ignore[attr-defined]
    try:
        return np.asarray(clean(lead, sampling_rate=rate, method=name), dtype=np.float64)
    except ValueError:  # this method has no cleaning of its own
        return np.asarray(clean(lead, sampling_rate=rate), dtype=np.float64)
