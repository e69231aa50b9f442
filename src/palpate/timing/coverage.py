"""What a device's heart-rate series leaves out: late start, dropouts, frozen values, steps.

Definitions
-----------
* *Dropout*: a stretch of at least `MIN_DROPOUT_S` from the first value on without one,
  whether readings are empty or missing.
* *Frozen*: one value held for at least `MIN_FROZEN_S` while the reference moves by more
  than `MOVED_BPM`; without a reference, held for at least `LONG_FROZEN_S`. A resting heart
  rounded to whole bpm may well show one value for half a minute; for two minutes it does
  not (own choices).
* *Step*: the coarsest step of which all values are multiples, NaN where there is none of
  at least `FINEST_STEP_BPM`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from palpate.conditioning import runs
from palpate.signals import BoolArray, FloatArray, held_until, usual_step_s
from palpate.timing.heart_rates import regular_rate
from palpate.validation import InputError, checked_signal, checked_times

MIN_DROPOUT_S = 3.0
MIN_FROZEN_S = 20.0
LONG_FROZEN_S = 120.0
MOVED_BPM = 8.0
STEPS_BPM = (10.0, 5.0, 2.0, 1.0, 0.5, 0.25, 0.2, 0.1)
FINEST_STEP_BPM = STEPS_BPM[-1]
MIN_DISTINCT = 5
"""Fewer distinct values do not show a step (own choice)."""


@dataclass(frozen=True, slots=True, eq=False)
class Coverage:
    """How much of ``[start_s, end_s)`` a series covers, and how.

    Parameters
    ----------
    first_value_s
        Seconds from ``start_s`` to the first value; NaN if there is none.
    valued_share
        Share of the time that has a value, frozen or not.
    dropouts_s, frozen_s
        ``(k, 2)`` ``[start, end)`` of each dropout and each frozen stretch.
    step_bpm
        Quantisation of the values.
    update_s
        Usual seconds between readings; NaN where there are fewer than two stamps.
    """

    start_s: float
    end_s: float
    first_value_s: float
    valued_share: float
    dropouts_s: FloatArray
    frozen_s: FloatArray
    step_bpm: float
    update_s: float

    @property
    def frozen_share(self) -> float:
        """Share of ``[start_s, end_s)`` that is frozen."""
        return float(np.diff(self.frozen_s, axis=1).sum() / (self.end_s - self.start_s))


def coverage(
    time_s: FloatArray,
    hr_bpm: FloatArray,
    *,
    start_s: float,
    end_s: float,
    reference_time_s: FloatArray | None = None,
    reference_bpm: FloatArray | None = None,
) -> Coverage:
    """Describe what a heart-rate series covers of ``[start_s, end_s)``.

    Parameters
    ----------
    time_s, hr_bpm
        Readings ``(n,)``, sorted; NaN for no value.
    reference_time_s, reference_bpm
        A reference on the same clock, by which a held value is told from a steady heart.
    """
    time_s = checked_times(time_s, "time_s")
    hr_bpm = checked_signal(hr_bpm, "hr_bpm")
    if time_s.shape != hr_bpm.shape:
        raise InputError(f"there are {time_s.size} times but {hr_bpm.size} readings")
    if not start_s < end_s:
        raise InputError(f"coverage needs start_s < end_s, not {start_s:g} and {end_s:g}")
    inside = (time_s >= start_s) & (time_s < end_s)
    time_s, hr_bpm = time_s[inside], hr_bpm[inside]
    until_s = np.minimum(held_until(time_s), end_s)
    good = np.isfinite(hr_bpm)
    frozen = _frozen(time_s[good], until_s[good], hr_bpm[good])
    frozen = _while_reference_moves(frozen, reference_time_s, reference_bpm)
    return Coverage(
        start_s=start_s,
        end_s=end_s,
        first_value_s=float(time_s[good][0] - start_s) if good.any() else float("nan"),
        valued_share=float((until_s - time_s)[good].sum() / (end_s - start_s)),
        dropouts_s=_dropouts(time_s[good], until_s[good], end_s),
        frozen_s=frozen,
        step_bpm=step_of(hr_bpm[good]),
        update_s=usual_step_s(time_s),
    )


def step_of(values: FloatArray) -> float:
    """Return the coarsest of `STEPS_BPM` of which all finite values are multiples, or NaN."""
    distinct = np.unique(values[np.isfinite(values)])
    if distinct.size < MIN_DISTINCT:
        return float("nan")
    for step in STEPS_BPM:
        if np.allclose(distinct / step, np.round(distinct / step), rtol=0.0, atol=1e-6):
            return step
    return float("nan")


def _dropouts(time_s: FloatArray, until_s: FloatArray, end_s: float) -> FloatArray:
    """Return gaps between values, from each value's end to the next, and to the end."""
    if time_s.size == 0:
        return np.empty((0, 2))
    gaps = np.column_stack((until_s, np.append(time_s[1:], end_s)))
    return np.asarray(gaps[gaps[:, 1] - gaps[:, 0] >= MIN_DROPOUT_S - 1e-9])


def _frozen(time_s: FloatArray, until_s: FloatArray, hr_bpm: FloatArray) -> FloatArray:
    """Return every stretch of one value, gaps apart, of at least `MIN_FROZEN_S`, ``(k, 2)``."""
    same: BoolArray = (np.diff(hr_bpm) == 0.0) & (time_s[1:] - until_s[:-1] < MIN_DROPOUT_S)
    first, end = runs(same)
    stretches = np.column_stack((time_s[first], until_s[end]))
    return np.asarray(stretches[stretches[:, 1] - stretches[:, 0] >= MIN_FROZEN_S - 1e-9])


def _while_reference_moves(
    stretches: FloatArray, time_s: FloatArray | None, hr_bpm: FloatArray | None
) -> FloatArray:
    length_s = stretches[:, 1] - stretches[:, 0]
    if time_s is None or hr_bpm is None:
        return stretches[length_s >= LONG_FROZEN_S - 1e-9]
    reference = regular_rate(time_s, hr_bpm)
    grid_s = reference.times_s()
    kept: list[int] = []
    for place, (low_s, high_s) in enumerate(stretches):
        part = reference.values[slice(*np.searchsorted(grid_s, (low_s, high_s)))]
        part = part[np.isfinite(part)]
        if part.size and float(np.ptp(part)) > MOVED_BPM:
            kept.append(place)
    return stretches[np.array(kept, dtype=np.intp)]
