"""QRS detectors of neurokit2 by name, as second opinions.

``neurokit:NAME`` runs the method ``NAME`` of neurokit2's ``ecg_peaks`` after its ``ecg_clean``
of the same name, or its default cleaning where a method has none (Makowski et al. 2021,
Behav Res Methods 53:1689). The library is imported when one is asked for: that takes seconds.
"""

from __future__ import annotations

import importlib.util
import warnings

import numpy as np

from palpate.signals import FloatArray, IntArray
from palpate.validation import InputError

PREFIX = "neurokit:"

# What neurokit2 0.2 calls its detectors, aliases included; it publishes no list to ask for.
# The first are names of its ``ecg_clean`` as well.
_CLEANED_NAMES = """
neurokit neurokit2 nk nk2 pantompkins pantompkins1985 hamilton hamilton2002 christov christov2004
zong zong2003 gamboa2008 ssf slopesumfunction elgendi elgendi2010 engzee engzee2012 engzeemod
engzeemod2012 kalidas kalidas2017 swt emrich emrich2023 fastnvg vg vgraph koka koka2022
"""
_OTHER_NAMES = """
nabian nabian2018 gamboa wqrs manikandan manikandan2012 khamis khamis2016 unsw martinez
martinez2004 rodrigues rodrigues2020 rodrigues2021 asi promac all
"""
CLEANED = frozenset(_CLEANED_NAMES.split())
LIBRARY_METHODS = tuple(sorted(CLEANED.union(_OTHER_NAMES.split())))


def library_beats(lead: FloatArray, *, fs_hz: float, method: str) -> IntArray:
    """Return QRS sample indices of one finite ``lead (n,)`` by the detector ``method``.

    Raises
    ------
    InputError
        If neurokit2 is not installed, does not know the method, or fails on this ECG.
    """
    check_library_method(method)
    import neurokit2  # noqa: PLC0415 - its import takes seconds

    name = _name(method)
    rate = int(fs_hz) if float(fs_hz).is_integer() else fs_hz
    cleaning = name if name in CLEANED else "neurokit"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            cleaned = neurokit2.ecg_clean(lead.copy(), sampling_rate=rate, method=cleaning)
            _, found = neurokit2.ecg_peaks(cleaned, sampling_rate=rate, method=name)
        except ImportError as fault:  # some need another library
            raise InputError(f"method {method!r} cannot run ({fault})") from fault
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
    if _name(method) not in LIBRARY_METHODS:
        raise InputError(
            f"there is no detector {method!r}; neurokit2 has {', '.join(LIBRARY_METHODS)}"
        )
    if importlib.util.find_spec("neurokit2") is None:
        raise InputError(f"method {method!r} needs neurokit2; install it first")


def _name(method: str) -> str:
    return method.removeprefix(PREFIX).lower()
