"""Of the time in error, when the light carried the pulse and the algorithm missed it.

The light carries the pulse where, once what the accelerometer predicts is taken out, hardly a
rate has more power than the true one (``oracle_chance``): then some observer could have seen it.
That tests the light alone; what any estimator makes of it plays no part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from palpate.evaluation.bootstrap import (
    BLOCK_S,
    N_RESAMPLES,
    block_resamples,
    percentile_interval,
    usable_block,
)
from palpate.evaluation.scoring import OUTSIDE
from palpate.signals import BoolArray, WindowTable
from palpate.validation import InputError

FALSE_ALARM = 0.05
"""Probability that light without a pulse passes for carrying it (the customary level). As a
line is two 1 / T wide, 15 bpm in windows of 8 s, it amounts to: the true rate lies on the
strongest line. On real light with the rates of other people, 15 bpm or more from the true
one, 3.8 % pass (wrist_ppg_exercise)."""


@dataclass(frozen=True, slots=True)
class OracleSplit:
    """Windows outside tolerance by whether the light carried the pulse.

    ``n_unknown`` had no oracle measure. ``missed_share`` is the share of the others where the
    light carried the pulse and the algorithm missed it, with its 95 % block-bootstrap
    interval; NaN without any. ``step_s`` seconds pass from window to window.
    """

    n_outside: int
    n_missed: int
    n_never_had_it: int
    n_unknown: int
    missed_share: float
    missed_interval: tuple[float, float]
    step_s: float

    @property
    def outside_s(self) -> float:
        """Seconds outside tolerance."""
        return self.n_outside * self.step_s

    def sentence(self) -> str:
        """Say the split with its counts."""
        if self.n_outside == 0:
            return "No window is outside tolerance."
        known = self.n_missed + self.n_never_had_it
        if known == 0:
            return f"None of {self.n_outside} windows outside tolerance has light to judge by."
        low, high = (100.0 * edge for edge in self.missed_interval)
        return (
            f"In {self.n_missed} of {known} windows outside tolerance "
            f"({100.0 * self.missed_share:.0f} %, 95 % interval {low:.0f} to {high:.0f} %) the "
            f"light carried the pulse and the algorithm missed it; in {self.n_never_had_it} the "
            "light did not show it."
        )


def light_carries(
    oracle: WindowTable, *, false_alarm: float = FALSE_ALARM
) -> tuple[BoolArray, BoolArray]:
    """Return per window whether the light carries the true rate, and whether that is known."""
    chance = oracle["oracle_chance"]
    return np.asarray(chance <= false_alarm), np.isfinite(chance)


def oracle_split(
    scored: WindowTable,
    oracle: WindowTable,
    *,
    false_alarm: float = FALSE_ALARM,
    n_resamples: int = N_RESAMPLES,
    seed: int = 0,
) -> OracleSplit:
    """Split a source's windows outside tolerance.

    Parameters
    ----------
    scored
        As from ``score_windows``.
    oracle
        As from ``oracle_windows`` at the reference's rate; other windows than the source's
        are matched by their start.
    false_alarm
        Probability that light without a pulse is said to carry it.

    Notes
    -----
    The bootstrap draws blocks of `BLOCK_S` of the whole session, so that errors that last
    stay together. In simulated sessions of 300 to 1800 windows that go together with 0.8 to
    0.95 from one to the next, the intervals hold the true share in 84 to 94 of 100.
    """
    table = scored.joined(oracle)
    if len(table) == 0:
        raise InputError("there is no window to split")
    step_s = float(np.median(np.diff(table.start_s))) if len(table) > 1 else float("nan")
    carried, known = light_carries(table, false_alarm=false_alarm)
    outside = table["status"] == OUTSIDE
    missed, never = outside & known & carried, outside & known & ~carried
    block = usable_block(len(table), round(BLOCK_S / step_s)) if len(table) > 1 else 1
    rows = block_resamples(len(table), block=block, n_resamples=n_resamples, seed=seed)
    n_missed, n_never = missed[rows].sum(axis=1), never[rows].sum(axis=1)
    n_known = n_missed + n_never
    shares = np.full(n_known.shape, np.nan)
    np.divide(n_missed, n_known, out=shares, where=n_known > 0)
    n_blocks = len(table) / block if len(table) > 1 else None
    low, high = np.clip(percentile_interval(shares, n_blocks=n_blocks), 0.0, 1.0)
    total = int(missed.sum() + never.sum())
    return OracleSplit(
        n_outside=int(outside.sum()),
        n_missed=int(missed.sum()),
        n_never_had_it=int(never.sum()),
        n_unknown=int(outside.sum()) - total,
        missed_share=float(missed.sum() / total) if total else float("nan"),
        missed_interval=(float(low), float(high)),
        step_s=step_s,
    )
