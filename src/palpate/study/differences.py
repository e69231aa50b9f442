"""The difference between two sides of sessions, each of which gives one number.

As measured: the mean of the differences within sessions (Student's t) where both sides were
there together, else the difference of means (Welch 1947, Biometrika 34:28). Everything else
that differs between sessions is taken out by regression (analysis of covariance: Fisher
1932, "Statistical Methods for Research Workers", ch. 49.1): the session's motion, and the
wearers, each of whom has a level of their own. The interval knows how little of that is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy import stats

from palpate.signals import FloatArray

LEVEL = 0.05


class Difference(NamedTuple):
    """Mean absolute error of the second side less that of the first, 95 % interval, and p.

    Interval and p, the chance of such a difference if there were none, are of this
    comparison alone.
    """

    mean_bpm: float
    low_bpm: float
    high_bpm: float
    p: float


def paired_difference(change: FloatArray, moved: FloatArray | None = None) -> Difference | None:
    """Return the mean of ``change (n,)``, second less first within each session.

    Parameters
    ----------
    moved
        ``(n,)`` by how much the second side moved more; taken out if given.

    Notes
    -----
    None where there are too few sessions to tell.
    """
    columns = [np.ones(change.size)] if moved is None else [np.ones(change.size), moved]
    return _regressed(change, np.column_stack(columns))


def unpaired_difference(
    first: FloatArray,
    second: FloatArray,
    *,
    motion: FloatArray | None = None,
    wearers: Sequence[str] = (),
) -> Difference | None:
    """Return the difference between sessions ``first (n,)`` and ``second (m,)``.

    Parameters
    ----------
    motion
        ``(n + m,)`` mean motion intensity of each; taken out if given.
    wearers
        Who wore the band in each of the ``n + m``; taken out if there are several.

    Notes
    -----
    None where there are too few sessions, or what is taken out goes with the sides.
    """
    names = sorted(set(wearers)) or [""]
    if motion is None and len(names) == 1:
        return _welch(first, second)
    side = np.repeat([0.0, 1.0], [first.size, second.size])
    levels = [np.array([one == name for one in wearers], dtype=float) for name in names[1:]]
    columns = [side, np.ones_like(side), *levels, *([] if motion is None else [motion])]
    return _regressed(np.concatenate([first, second]), np.column_stack(columns))


def _welch(first: FloatArray, second: FloatArray) -> Difference | None:
    if min(first.size, second.size) < 2:
        return None
    parts = np.array([side.var(ddof=1) / side.size for side in (first, second)])
    freedom = float((parts**2 / (np.array([first.size, second.size]) - 1)).sum())
    df = float(parts.sum()) ** 2 / freedom if freedom > 0 else 1.0
    return _of(float(second.mean() - first.mean()), float(np.sqrt(parts.sum())), df)


def _regressed(values: FloatArray, design: FloatArray) -> Difference | None:
    """Return the least-squares coefficient of the first column of ``design (n, k)``."""
    scale = np.abs(design).max(axis=0)
    design = design / np.where(scale > 0.0, scale, 1.0)
    rank = np.linalg.matrix_rank(design)
    df = int(values.size - rank)
    if df < 1 or np.linalg.matrix_rank(design[:, 1:]) == rank:
        return None
    found, *_ = np.linalg.lstsq(design, values, rcond=None)
    variance = float(((values - design @ found) ** 2).sum()) / df
    error = np.sqrt(variance * np.linalg.pinv(design.T @ design)[0, 0])
    return _of(float(found[0]), float(error), df)


def _of(difference: float, error: float, df: float) -> Difference:
    reach = float(stats.t.ppf(1.0 - LEVEL / 2.0, df)) * error
    if error > 0:
        p = 2.0 * float(stats.t.sf(abs(difference) / error, df))
    else:
        p = float(difference == 0.0)  # no spread at all
    return Difference(difference, difference - reach, difference + reach, p)
