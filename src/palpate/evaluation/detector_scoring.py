"""Score a beat detector on one annotated record, and find where it does worst.

Conventions
-----------
Two scores side by side, since each hides what the other shows: the EC57 comparison
(150 ms window, first 5 minutes not scored, classes), and the share of beats within 50 ms
over the whole record, by the optimal matching and without correcting any constant shift.
Detections between fibrillation marks count in neither.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from palpate.evaluation.annotations import Annotations
from palpate.evaluation.ec57 import LEARNING_S, Ec57Result, compare_ec57
from palpate.evaluation.ec57_statistics import Ratio
from palpate.evaluation.matching import EC57_WINDOW_S, match_beats
from palpate.signals import BoolArray, FloatArray

STRICT_TOLERANCE_S = 0.05
STRETCH_S = 10.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """A piece ``[start_s, end_s)`` of a record and the errors in it."""

    start_s: float
    end_s: float
    n_missed: int
    n_extra: int

    @property
    def n_errors(self) -> int:
        """Missed and extra beats together."""
        return self.n_missed + self.n_extra


@dataclass(frozen=True, slots=True, eq=False)
class DetectorScore:
    """Both scores of one record; ``strict_f1`` is at 50 ms over the whole record."""

    ec57: Ec57Result
    strict_f1: Ratio


def score_detector(
    reference: Annotations,
    estimate_s: FloatArray,
    *,
    fs_hz: float,
    end_s: float,
    learning_s: float = LEARNING_S,
    window_s: float = EC57_WINDOW_S,
) -> DetectorScore:
    """Score detections ``(m,)`` in seconds against a record's annotations."""
    counted = estimate_s[~in_fibrillation(reference, estimate_s)]
    strict = match_beats(
        reference.time_s[reference.is_beat], counted, tolerance_s=STRICT_TOLERANCE_S
    )
    twice = 2 * strict.n_true_positive
    return DetectorScore(
        ec57=compare_ec57(
            reference,
            estimate_s,
            fs_hz=fs_hz,
            end_s=end_s,
            learning_s=learning_s,
            window_s=window_s,
        ),
        strict_f1=Ratio(twice, twice + strict.n_false_negative + strict.n_false_positive),
    )


def in_fibrillation(reference: Annotations, time_s: FloatArray) -> BoolArray:
    """Return ``(m,)`` True for times between the marks ``[`` and ``]``, ends included."""
    on_s = reference.time_s[reference.symbol == "["]
    off_s = reference.time_s[reference.symbol == "]"]
    inside = np.zeros(time_s.shape, dtype=bool)
    for on in on_s:
        after = off_s[off_s >= on]
        inside |= (time_s >= on) & (time_s <= (after[0] if after.size else np.inf))
    return inside


def worst_stretches(
    result: Ec57Result, *, count: int, end_s: float, length_s: float = STRETCH_S
) -> tuple[Stretch, ...]:
    """Return up to ``count`` stretches with the most errors, none overlapping, worst first.

    Stretches start at multiples of half their length, so that a cluster of errors is not
    cut in two, and lie inside the record of ``end_s`` seconds; what has no error is not
    returned.
    """
    missed_s = result.reference_s[np.isnan(result.estimate_s)]
    extra_s = result.estimate_s[np.isnan(result.reference_s)]
    step_s = length_s / 2
    starts_s = np.floor(np.concatenate([missed_s, extra_s]) / step_s) * step_s
    starts_s = np.unique(np.clip(starts_s, 0.0, max(end_s - length_s, 0.0)))
    found = []
    for start in starts_s.tolist():
        stop = min(start + length_s, end_s)
        counted = (int(np.sum((each >= start) & (each < stop))) for each in (missed_s, extra_s))
        found.append(Stretch(start, stop, *counted))
    chosen: list[Stretch] = []
    for stretch in sorted(found, key=lambda each: (-each.n_errors, each.start_s)):
        if all(abs(stretch.start_s - other.start_s) >= length_s for other in chosen):
            chosen.append(stretch)
    return tuple(chosen[:count])
