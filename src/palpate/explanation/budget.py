"""Error budget: how much of a source's error each repair would remove.

The mean absolute error is measured again under every set of repairs, and what they remove
together is shared out: each repair is credited with what it removes after the repairs
before it, averaged over every order (Shapley, see `shapley`). The shares and the remainder
sum to the error. A set of repairs that makes the error worse counts as it is, so a share
may be negative.

One repair may be marked as coming last in every order (precedence constraints, Faigle &
Kern 1992, Int J Game Theory 21:249). That is for a repair which is told the truth: it can
undo what the others undo, and would otherwise be given half of their credit.

Intervals come from the circular block bootstrap over windows in time order. They hold for
more evenings like this one, with the repairs as they are. What is left is an absolute error,
so its interval ends at 0; what a repair removes may be negative.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from palpate.conditioning import STEP_S
from palpate.evaluation.bootstrap import (
    BLOCK_S,
    N_RESAMPLES,
    block_resamples,
    percentile_interval,
    usable_block,
)
from palpate.explanation.shapley import shapley_weights, subsets
from palpate.signals import FloatArray
from palpate.validation import InputError, checked_positive

MIN_WINDOWS = 20
REMAINDER = "remainder"


@dataclass(frozen=True, slots=True)
class BudgetShare:
    """What one repair removes: bpm of mean absolute error, and that as a share of all of it.

    Each with its 95 % interval; shares are NaN where there is no error to share.
    """

    repair: str
    error_bpm: float
    low_bpm: float
    high_bpm: float
    share: float
    share_low: float
    share_high: float


@dataclass(frozen=True, slots=True)
class ErrorBudget:
    """The mean absolute error over ``n_windows``, taken apart.

    ``shares`` are in the order the repairs were given; ``remainder`` is the error under all
    of them. ``n_left_out`` windows have no error under at least one set of repairs.
    """

    total_bpm: float
    shares: tuple[BudgetShare, ...]
    remainder: BudgetShare
    n_windows: int
    n_left_out: int


def error_budget(
    absolute_error_bpm: Mapping[frozenset[str], FloatArray],
    *,
    last: str | None = None,
    step_s: float = STEP_S,
    n_resamples: int = N_RESAMPLES,
    seed: int = 0,
) -> ErrorBudget:
    """Share the mean absolute error out among repairs.

    Parameters
    ----------
    absolute_error_bpm
        For every set of repairs, the empty one included, the errors ``(n,)`` of the same
        windows in time order; NaN where a window has none.
    last
        The repair that comes after all others, if any.
    step_s
        Seconds between windows; sets the block length of the bootstrap.

    Raises
    ------
    InputError
        If a set of repairs is missing, or fewer than 20 windows have an error under all.
    """
    repairs = list(dict.fromkeys(name for members in absolute_error_bpm for name in members))
    if last is not None and last not in repairs:
        raise InputError(f"last is {last!r}; the repairs are {', '.join(repairs) or 'none'}")
    missing = [members for members in subsets(repairs) if members not in absolute_error_bpm]
    if missing:
        raise InputError(f"there are no errors under the repairs {sorted(missing[0])}")
    errors = np.stack([absolute_error_bpm[members] for members in subsets(repairs)], axis=1)
    usable = np.isfinite(errors).all(axis=1)
    n = int(usable.sum())
    if n < MIN_WINDOWS:
        raise InputError(
            f"only {n} windows have an error under every repair; a budget needs {MIN_WINDOWS}"
        )
    block = usable_block(n, round(BLOCK_S / checked_positive(step_s, "step_s")))
    rows = block_resamples(n, block=block, n_resamples=n_resamples, seed=seed)
    errors = errors[usable]
    weights = _weights(repairs, last)
    found = weights @ errors.mean(axis=0)
    drawn = np.array([np.bincount(row, minlength=n) @ errors for row in rows]) / n @ weights.T
    shares = _shares([*repairs, REMAINDER], found, drawn, n / block)
    return ErrorBudget(
        total_bpm=float(found[-1]),
        shares=tuple(shares[:-1]),
        remainder=shares[-1],
        n_windows=n,
        n_left_out=int(usable.size - n),
    )


def _weights(repairs: list[str], last: str | None) -> FloatArray:
    """Return what takes mean errors per set to removals, the remainder, and the total."""
    sets = list(subsets(repairs))
    first = [name for name in repairs if name != last]
    early = [column for column, members in enumerate(sets) if last not in members]
    weights = np.zeros((len(repairs) + 2, len(sets)))
    weights[np.ix_([repairs.index(name) for name in first], early)] = -shapley_weights(first)
    if last is not None:
        weights[repairs.index(last), [sets.index(frozenset(first)), len(sets) - 1]] = 1.0, -1.0
    weights[-2, -1] = 1.0
    weights[-1, 0] = 1.0
    return weights


def _shares(
    names: list[str], found: FloatArray, drawn: FloatArray, n_blocks: float
) -> list[BudgetShare]:
    """Return one share per name, the last what is left; the last of the numbers is the total."""
    low, high = percentile_interval(drawn[:, :-1], n_blocks=n_blocks)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(found[-1] > 0.0, found[:-1] / found[-1], np.nan)
        drawn_share = np.where(drawn[:, -1:] > 0.0, drawn[:, :-1] / drawn[:, -1:], np.nan)
    share_low, share_high = percentile_interval(drawn_share, n_blocks=n_blocks)
    for edge in (low, share_low):
        edge[-1] = np.maximum(edge[-1], 0.0)
    columns = (found[:-1], low, high, share, share_low, share_high)
    return [
        BudgetShare(name, *(float(column[place]) for column in columns))
        for place, name in enumerate(names)
    ]
