"""The statistics that ANSI/AAMI EC57 asks for, from 7 × 7 matrices of beat classes.

Conventions
-----------
Rows are reference classes N S V F Q O X, columns what the detector called them, n s v f
q o x; O and X are 'nothing there' and 'shut down'. F and Q called v are neither true nor
false VEBs, Q called s neither true nor false SVEBs. *Gross* statistics pool the records'
counts; *average* statistics are the unweighted mean over the records whose denominator
is not zero. A statistic without a denominator is NaN.

Source
------
The definitions are those of the reference programs ``bxb`` and ``sumstats`` of the WFDB
software, which the standard names for quotable numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from palpate.evaluation.bootstrap import block_resamples, percentile_interval
from palpate.signals import IntArray
from palpate.validation import InputError

_N_CLASSES = 7
_N, _S, _V, _F, _Q, _O, _X = range(_N_CLASSES)
_BEATS = slice(_N, _O)
_NOTHING = slice(_O, _N_CLASSES)
_NOT_V = [_N, _S, _F, _Q]
FEWEST_RECORDS = 5  # to draw from; common practice, no source


@dataclass(frozen=True, slots=True)
class Ratio:
    """A share with its counts."""

    numerator: int
    denominator: int

    @property
    def percent(self) -> float:
        """100 × numerator / denominator; NaN without a denominator."""
        return 100.0 * self.numerator / self.denominator if self.denominator > 0 else float("nan")


@dataclass(frozen=True, slots=True)
class BeatStatistics:
    """Sensitivity (Se), positive predictivity (+P) and false positive rate (FPR).

    Of QRS complexes, of ventricular (VEB) and of supraventricular ectopic beats (SVEB).
    ``qrs_f1`` is 2 TP / (2 TP + FN + FP); EC57 does not ask for it, the literature does.
    """

    qrs_sensitivity: Ratio
    qrs_positive_predictivity: Ratio
    qrs_f1: Ratio
    veb_sensitivity: Ratio
    veb_positive_predictivity: Ratio
    veb_false_positive_rate: Ratio
    sveb_sensitivity: Ratio
    sveb_positive_predictivity: Ratio


STATISTICS = tuple(field.name for field in fields(BeatStatistics))


def beat_statistics(counts: IntArray) -> BeatStatistics:
    """Return the statistics of one matrix ``(7, 7)``, of one record or of a sum."""
    _check(counts)
    qrs_tp = int(counts[_BEATS, _BEATS].sum())
    qrs_fn = int(counts[_BEATS, _NOTHING].sum())
    qrs_fp = int(counts[_NOTHING, _BEATS].sum())
    veb_tp = int(counts[_V, _V])
    veb_fp = int(counts[[_N, _S, _O, _X], _V].sum())
    veb_tn = int(counts[np.ix_([_N, _S, _F, _Q, _O, _X], _NOT_V)].sum())
    sveb_tp = int(counts[_S, _S])
    sveb_fp = int(counts[[_N, _V, _F, _O, _X], _S].sum())
    return BeatStatistics(
        qrs_sensitivity=Ratio(qrs_tp, qrs_tp + qrs_fn),
        qrs_positive_predictivity=Ratio(qrs_tp, qrs_tp + qrs_fp),
        qrs_f1=Ratio(2 * qrs_tp, 2 * qrs_tp + qrs_fn + qrs_fp),
        veb_sensitivity=Ratio(veb_tp, int(counts[_V].sum())),
        veb_positive_predictivity=Ratio(veb_tp, veb_tp + veb_fp),
        veb_false_positive_rate=Ratio(veb_fp, veb_tn + veb_fp),
        sveb_sensitivity=Ratio(sveb_tp, int(counts[_S].sum())),
        sveb_positive_predictivity=Ratio(sveb_tp, sveb_tp + sveb_fp),
    )


def class_sensitivity(counts: IntArray) -> dict[str, Ratio]:
    """Return, per reference class, how many of its beats were found at all."""
    _check(counts)
    return {
        name: Ratio(int(counts[row, _BEATS].sum()), int(counts[row].sum()))
        for row, name in enumerate("NSVFQ")
    }


def gross_statistics(counts: Sequence[IntArray]) -> BeatStatistics:
    """Return the statistics of the records' pooled counts."""
    return beat_statistics(np.sum([np.zeros((_N_CLASSES, _N_CLASSES), np.intp), *counts], axis=0))


def average_statistics(counts: Sequence[IntArray]) -> dict[str, float]:
    """Return per statistic the mean percentage over the records that define it, or NaN."""
    records = [beat_statistics(each) for each in counts]
    values = {name: [getattr(record, name).percent for record in records] for name in STATISTICS}
    return {name: _mean_defined(percents) for name, percents in values.items()}


def gross_intervals(
    counts: Sequence[IntArray], *, level: float = 0.95, seed: int = 0
) -> dict[str, tuple[float, float]]:
    """Return per statistic the interval of the gross percentage, by redrawing whole records.

    Beats of one record are alike, so records are drawn (cluster bootstrap; the interval is
    widened for few records, see :func:`~palpate.evaluation.bootstrap.percentile_interval`).
    With fewer than five records it is NaN.
    """
    if len(counts) < FEWEST_RECORDS:
        return dict.fromkeys(STATISTICS, (float("nan"), float("nan")))
    records = [beat_statistics(each) for each in counts]
    rows = block_resamples(len(records), block=1, seed=seed)
    intervals = {}
    for name in STATISTICS:
        ratios = [getattr(record, name) for record in records]
        part = np.array([ratio.numerator for ratio in ratios])[rows].sum(axis=1)
        whole = np.array([ratio.denominator for ratio in ratios])[rows].sum(axis=1)
        percent = np.full(part.shape, np.nan)
        np.divide(100.0 * part, whole, out=percent, where=whole > 0)
        low, high = percentile_interval(percent, level=level, n_blocks=len(records))
        intervals[name] = (max(float(low), 0.0), min(float(high), 100.0))
    return intervals


def _mean_defined(percents: list[float]) -> float:
    defined = [value for value in percents if not np.isnan(value)]
    return float(np.mean(defined)) if defined else float("nan")


def _check(counts: IntArray) -> None:
    if counts.shape != (_N_CLASSES, _N_CLASSES):
        raise InputError(
            f"the class matrix has shape {counts.shape}; EC57 has 7 reference by 7 test classes"
        )
