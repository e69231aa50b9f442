"""Of the time in error, when the light carried the pulse and the algorithm missed it.

The light carries the pulse where, once what the accelerometer predicts is taken out, hardly a
rate has more power than the true one (``oracle_chance``): then some observer could have seen it.
That tests the light alone; what any estimator makes of it plays no part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from palpate.evaluation.scoring import OUTSIDE
from palpate.evaluation.share_interval import share_of_windows
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

    ``n_unknown`` had no oracle measure, or only their clock or the ECG is off. ``missed_share`` is
    the share of the others where the light carried the pulse and the algorithm missed it, with
    its 95 % interval (``share_interval``); NaN without any. ``step_s`` seconds pass from window
    to window.
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
            return (
                f"None of {self.n_outside} windows outside tolerance can be judged by its light: "
                "there is none, or its clock or the ECG is off."
            )
        low, high = (100.0 * edge for edge in self.missed_interval)
        return (
            f"In {self.n_missed} of {known} windows outside tolerance "
            f"({100.0 * self.missed_share:.0f} %, 95 % interval {low:.0f} to {high:.0f} %) the "
            f"light carried the pulse but the algorithm missed it; in {self.n_never_had_it} the "
            "light did not show it."
        )


def light_carries(
    oracle: WindowTable, *, false_alarm: float = FALSE_ALARM
) -> tuple[BoolArray, BoolArray]:
    """Return per window whether the light carries the true rate, and whether that is known."""
    chance = oracle["oracle_chance"]
    return np.asarray(chance <= false_alarm), np.isfinite(chance)


def missed_or_not(
    table: WindowTable, ecg_wrong: BoolArray, *, false_alarm: float = FALSE_ALARM
) -> tuple[BoolArray, BoolArray]:
    """Return which windows outside tolerance had the pulse, and which can be judged by that.

    ``table`` joins a source's scored windows and the light at the true rate of its own time.
    Where the estimate is right of that time, only the clock is at fault, and whether the light
    carried the pulse says nothing; nor does light at the rate of an ECG that is ``ecg_wrong``.
    """
    carried, known = light_carries(table, false_alarm=false_alarm)
    right_then = np.abs(table["estimate_bpm"] - table["oracle_bpm"]) <= table["tolerance_bpm"]
    judged = (table["status"] == OUTSIDE) & known & ~right_then & ~ecg_wrong
    return judged & carried, judged


def oracle_split(
    scored: WindowTable,
    oracle: WindowTable,
    ecg_wrong: BoolArray,
    *,
    false_alarm: float = FALSE_ALARM,
) -> OracleSplit:
    """Split a source's windows outside tolerance.

    Parameters
    ----------
    scored
        As from ``score_windows``.
    oracle
        As from ``oracle_windows`` at the reference's rate; other windows than the source's
        are matched by their start.
    ecg_wrong
        Which of the source's windows the ECG, not the wrist, seems to have put outside, ``(n,)``.
    false_alarm
        Probability that light without a pulse is said to carry it.
    """
    table = scored.joined(oracle)
    if len(table) == 0:
        raise InputError("there is no window to split")
    missed, judged = missed_or_not(table, ecg_wrong, false_alarm=false_alarm)
    n_outside = int(np.count_nonzero(table["status"] == OUTSIDE))
    n_judged, n_missed = int(judged.sum()), int(missed.sum())
    return OracleSplit(
        n_outside=n_outside,
        n_missed=n_missed,
        n_never_had_it=n_judged - n_missed,
        n_unknown=n_outside - n_judged,
        missed_share=n_missed / n_judged if n_judged else float("nan"),
        missed_interval=share_of_windows(table, missed, judged),
        step_s=table.step_s,
    )
