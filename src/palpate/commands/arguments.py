"""Types of arguments: a value that cannot be used is refused before any work is done for it."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable


def positive(text: str) -> float:
    """Return a finite number above zero."""
    value = number(text)
    if value <= 0.0:
        raise argparse.ArgumentTypeError(f"is {text}; it must be above zero")
    return value


def not_negative(text: str) -> float:
    """Return a finite number that is zero or more."""
    value = number(text)
    if value < 0.0:
        raise argparse.ArgumentTypeError(f"is {text}; it must be zero or more")
    return value


def number(text: str) -> float:
    """Return a finite number."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"is {text!r}; it must be a finite number")
    return value


def numbers(text: str) -> tuple[float, ...]:
    """Return numbers that stand between commas, each once; at least one."""
    return tuple(dict.fromkeys(number(part) for part in names(text)))


def between(least: float, most: float) -> Callable[[str], float]:
    """Return the type of a finite number from ``least`` to ``most``."""

    def limited(text: str) -> float:
        value = number(text)
        if not least <= value <= most:
            raise argparse.ArgumentTypeError(f"is {text}; it must be {least:g} to {most:g}")
        return value

    return limited


def count(text: str) -> int:
    """Return a whole number from 1."""
    positive(text)
    return seed(text)


def seed(text: str) -> int:
    """Return a whole number from 0."""
    value = not_negative(text)
    if value != int(value):
        raise argparse.ArgumentTypeError(f"is {text}; it must be a whole number")
    return int(value)


def names(text: str) -> tuple[str, ...]:
    """Return the words that stand between commas, each once; at least one."""
    words = tuple(dict.fromkeys(word for part in text.split(",") if (word := part.strip())))
    if not words:
        raise argparse.ArgumentTypeError(f"is {text!r}; it must name at least one")
    return words
