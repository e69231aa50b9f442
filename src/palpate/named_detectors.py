"""Beat detectors by name, so that a command line and worker processes can find any of them.

* ``palpate``: this package's own, by its default method; or the name of one of its methods;
* ``neurokit:NAME``: a method of neurokit2, as ``ecg.library_detectors`` runs it;
* ``module:function``: any importable function, also from the current folder.

A function is called as ``function(ecg, fs_hz=...)`` if it has a parameter of that name,
else as ``function(ecg, fs_hz)``, with ``ecg`` of shape ``(n,)`` for one lead and
``(n, leads)`` for several, a copy that it may change. It returns sample positions, whole or
not; seconds and a mask of the samples are refused. What it prints goes to stderr, so that the
output stays a result.
"""

from __future__ import annotations

import contextlib
import importlib
import inspect
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from palpate.ecg.detection import METHODS, detect_qrs
from palpate.ecg.library_detectors import PREFIX, check_library_method
from palpate.signals import FloatArray
from palpate.validation import InputError, checked_samples

Detector: TypeAlias = Callable[[FloatArray, float], ArrayLike]

OWN = "palpate"


def find_detector(name: str) -> Detector:
    """Return the detector that ``name`` stands for, as ``function(ecg, fs_hz)``.

    Raises
    ------
    InputError
        If there is none.
    """
    if name == OWN:
        return lambda ecg, fs_hz: detect_qrs(ecg, fs_hz=fs_hz)
    if name.startswith(PREFIX):
        check_library_method(name)
    if name in METHODS or name.startswith(PREFIX):
        return lambda ecg, fs_hz: detect_qrs(ecg, fs_hz=fs_hz, method=name)
    if ":" in name:
        return _imported(name)
    raise InputError(
        f"there is no detector {name!r}; there are {OWN}, {', '.join(METHODS)}, "
        f"{PREFIX}NAME and module:function"
    )


def detections(detector: Detector, ecg: FloatArray, fs_hz: float) -> FloatArray:
    """Run a detector; return its sorted sample positions ``(beats,)``, checked.

    Raises
    ------
    InputError
        If what it returns cannot be sample positions of this ECG.
    """
    with contextlib.redirect_stdout(sys.stderr):
        returned = np.asarray(detector(ecg, fs_hz))
    if returned.dtype == np.bool_ or _is_mask(returned, ecg.shape[0]):
        raise InputError("the detector returned a mask; it must return sample numbers (beats,)")
    found = checked_samples(returned, "what the detector returned")
    if found.ndim != 1 or not np.isfinite(found).all():
        raise InputError(
            f"the detector returned an array of shape {found.shape}; it must be finite, (beats,)"
        )
    if found.size and not (found.min() >= 0 and found.max() < ecg.shape[0]):
        raise InputError(
            "the detector returned positions outside the record; they must be sample numbers"
        )
    if _are_seconds(found, ecg.shape[0] / fs_hz):
        raise InputError(
            f"the detector returned fractions up to {found.max():g} in a record of "
            f"{ecg.shape[0] / fs_hz:g} s, which look like seconds; it must return sample numbers"
        )
    return np.sort(found)


def _is_mask(returned: NDArray[Any], n_samples: int) -> bool:
    """Return whether these are a 0 or a 1 for every sample."""
    return returned.shape == (n_samples,) and bool(np.isin(returned, (0, 1)).all())


def _are_seconds(found: FloatArray, duration_s: float) -> bool:
    """Return whether fractional positions all lie where the record's seconds would."""
    fractional = found.size > 1 and bool(np.any(found != np.round(found)))
    return fractional and bool(found.max() < duration_s)


def _imported(name: str) -> Detector:
    module_name, _, function_name = name.partition(":")
    here = str(Path.cwd())
    if here not in sys.path:
        sys.path.insert(0, here)
    try:
        with contextlib.redirect_stdout(sys.stderr):
            function: Any = importlib.import_module(module_name)
        for part in function_name.split("."):
            function = getattr(function, part)
    except (Exception, SystemExit) as fault:  # a stranger's module may raise anything, or leave
        raise InputError(
            f"there is no detector {name!r} ({fault}); name it as module:function"
        ) from None
    if not callable(function):
        raise InputError(f"{name!r} is not a function, so it cannot detect beats")
    if _takes_fs_hz(function):
        return lambda ecg, fs_hz: function(ecg.copy(), fs_hz=fs_hz)
    return lambda ecg, fs_hz: function(ecg.copy(), fs_hz)


def _takes_fs_hz(function: Callable[..., Any]) -> bool:
    try:
        return "fs_hz" in inspect.signature(function).parameters
    except (TypeError, ValueError):  # compiled functions may have no signature
        return False
