"""Types of arguments: a value that cannot be used is refused before any work is done for it."""

from __future__ import annotations

import argparse
import math


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
    """Return numbers that stand between commas, at least one."""
    return tuple(number(part) for part in names(text)) or (number(text),)


def count(text: str) -> int:
    """Return a whole number from 1."""
    value = positive(text)
    if value != int(value):
        raise argparse.ArgumentTypeError(f"is {text}; it must be a whole number")
    return int(value)


def names(text: str) -> tuple[str, ...]:
    """Return the words that stand between commas."""
    return tuple(word for part in text.split(",") if (word := part.strip()))
