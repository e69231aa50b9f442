"""Argument checks that return the checked value and say what is wrong and what to do."""

from __future__ import annotations

import contextlib
import difflib
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray

MIN_RATE_HZ = 0.01
MAX_RATE_HZ = 100_000.0
LARGEST = 1e60
"""No sensor gives a larger number, and the fourth powers of this one still add up."""


class InputError(ValueError):
    """Input that cannot be used; the message is one sentence a user can act on."""


@contextlib.contextmanager
def about(kind: str, name: str) -> Iterator[None]:
    """Put a kind and a name before the sentence of an ``InputError`` that does not say the name."""
    try:
        yield
    except InputError as fault:
        if repr(name) in str(fault):
            raise
        raise InputError(f"{kind} {name!r}: {fault}") from fault


def checked_rate(fs_hz: float, name: str = "fs_hz") -> float:
    """Return a sampling rate in Hz as a float, or explain why it cannot be one."""
    try:
        rate = float(fs_hz)
    except (TypeError, ValueError):
        raise InputError(f"{name} must be a number of samples per second, not {fs_hz!r}") from None
    if not MIN_RATE_HZ <= rate <= MAX_RATE_HZ:
        raise InputError(
            f"{name} is {rate:g} Hz; a sampling rate lies between {MIN_RATE_HZ:g} and "
            f"{MAX_RATE_HZ:g} Hz"
        )
    return rate


def checked_positive(value: float, name: str) -> float:
    """Return a finite number above zero."""
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = float("nan")
    if not (np.isfinite(number) and number > 0):
        raise InputError(f"{name} is {value!r}; it must be a finite number above zero")
    return number


def checked_choice(value: str, allowed: Iterable[str], name: str) -> str:
    """Return ``value`` if it is one of ``allowed``; the message lists what is."""
    options = tuple(allowed)
    if value not in options:
        raise InputError(f"{name} is {value!r}; it must be one of {', '.join(options)}")
    return value


def suggestion(word: str, known: Iterable[str]) -> str:
    """Return ``"; did you mean 'x'?"`` for the nearest known word, else what there is."""
    options = list(known)
    near = difflib.get_close_matches(word, options, n=1, cutoff=0.6)
    if near:
        return f"; did you mean {near[0]!r}?"
    return f"; there are {', '.join(options)}" if options else ""


def checked_signal(values: ArrayLike, name: str) -> NDArray[np.float64]:
    """Return a one-dimensional float64 array ``(n,)``; NaN and inf are allowed, masked is NaN."""
    array = _as_float(values, name)
    if array.ndim != 1:
        raise InputError(f"{name} has shape {array.shape}; it must be one-dimensional (n,)")
    return array


def checked_columns(values: ArrayLike, name: str) -> NDArray[np.float64]:
    """Return a float64 array ``(n, k)``, ``k >= 1``; ``(n,)`` becomes ``(n, 1)``."""
    array = _as_float(values, name)
    if array.ndim == 1:
        array = array[:, np.newaxis]
    if array.ndim != 2 or array.shape[1] == 0:
        raise InputError(
            f"{name} has shape {array.shape}; it must be (n,) or (n, channels), channels >= 1"
        )
    if array.shape[1] > array.shape[0] > 0 and array.shape[1] > 64:
        raise InputError(
            f"{name} has shape {array.shape}: time runs along the first axis; did you mean its "
            "transpose?"
        )
    return array


def checked_samples(values: ArrayLike, name: str) -> NDArray[np.float64]:
    """Return a float64 array of the shape it has, ``(n,)`` or ``(n, k)``, ``k >= 0``."""
    array = _as_float(values, name)
    if array.ndim not in (1, 2):
        raise InputError(f"{name} has shape {array.shape}; it must be (n,) or (n, channels)")
    return array


def checked_times(values: ArrayLike, name: str) -> NDArray[np.float64]:
    """Return finite, non-decreasing times in seconds ``(n,)``."""
    times = checked_signal(values, name)
    if not np.all(np.isfinite(times)):
        raise InputError(f"{name} holds a time that is not finite")
    if np.any(np.diff(times) < 0):
        place = int(np.argmax(np.diff(times) < 0))
        raise InputError(
            f"{name} goes backwards after item {place} ({times[place]:g} s, then "
            f"{times[place + 1]:g} s); sort it first"
        )
    return times


def _as_float(values: ArrayLike, name: str) -> NDArray[np.float64]:
    try:
        array = np.asarray(values)
    except ValueError:
        raise InputError(f"{name} has rows of different lengths; make them equally long") from None
    if array.dtype.kind not in "biuf":
        raise InputError(f"{name} holds {array.dtype} values; it must hold real numbers")
    numbers = array.astype(np.float64, copy=False)
    if isinstance(values, np.ma.MaskedArray):
        numbers = np.where(np.ma.getmaskarray(values), np.nan, numbers)
    _check_size(numbers, name)
    return numbers


def _check_size(numbers: NDArray[np.float64], name: str) -> None:
    """Refuse numbers whose powers would overflow; inf, like NaN, is a missing sample."""
    highest = np.fmax.reduce(numbers, axis=None, initial=0.0)
    lowest = np.fmin.reduce(numbers, axis=None, initial=0.0)
    if lowest >= -LARGEST and highest <= LARGEST:
        return
    absurd = numbers[np.isfinite(numbers) & (np.abs(numbers) > LARGEST)]
    if absurd.size:
        raise InputError(
            f"{name} holds {absurd[0]:g}, and no sensor gives more than {LARGEST:g}; write missing "
            "samples as NaN"
        )
