"""Which kind of evidence goes with the error: explained variance shared out among groups.

Groups of features (how hard the arm moved, how regularly, whether it shook, ...) predict
the error of each window by ridge regression, within activities: what tells one activity from
another is taken out of errors and features first. The variance that they explain together is
shared out: each group is credited with what it adds to the groups before it, averaged over
every order (LMG: Lindeman, Merenda & Gold 1980; Grömping 2007, Am Stat 61:139).

Conventions
-----------
* The response is ``log(1 + |error|)``, so that neither errors below 1 bpm nor one stretch
  on a wrong rate rule; features are ranks. Neither unit nor shape matters.
* A group that adds nothing has a share near 0, below as often as above.
* A session has a handful of activities, and these differ in everything at once: whatever is
  measured lines up with the error of five of them by chance. So each activity's own mean is
  taken out (the 'within' regression: Mundlak 1978, Econometrica 46:69). Why one activity is
  worse than another is for `dose_response` and for many sessions to say.
* Windows of an activity too short to have a mean are left out.
* Missing features count as average.
* More intensity or vibration never predicts less error, as in ``dose_response``: the contrast
  of two measures of intensity is the movement's tempo, and tempo is structure.
* Going together is no cause: see ``causes`` for what each window's own evidence says.

Deviations
----------
* What is left unexplained is the mean of two errors: of windows that the regression saw, and
  of blocks of time that were left out. The first is too small by as much as the second is too
  large, to first order (Mallows 1973, Technometrics 15:661; Efron 2004, JASA 99:619), so that
  many features are neither rewarded nor punished for being many.
* Intervals are Student's, from the variance of the windows' pull on the shares (influence
  function: Hampel 1974, JASA 69:383) among blocks. Every fitted column and every activity's mean
  takes one of the windows that the session is worth, so many fits widen them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import combinations

import numpy as np
from scipy import linalg, stats

from palpate.conditioning import STEP_S
from palpate.evaluation.block_variance import block_freedom, long_variance_of_sum
from palpate.evaluation.bootstrap import BLOCK_S, usable_block
from palpate.explanation.oracle import cadence_distance
from palpate.explanation.shapley import shapley_weights, subsets
from palpate.signals import BoolArray, FloatArray, IntArray, StrArray, WindowTable
from palpate.validation import InputError, checked_positive

INTENSITY, STRUCTURE = "intensity", "structure of motion and light"
VIBRATION, GRIP = "vibration", "orientation and grip"
DYNAMICS, LIGHT = "heart-rate dynamics", "light quality"
MOTION_COLUMNS: Mapping[str, tuple[str, ...]] = {
    INTENSITY: ("mad_g", "swing_rms_g", "jerk_g_per_s"),
    STRUCTURE: ("periodicity", "spectral_entropy", "burstiness"),
    VIBRATION: ("shake_rms_g", "vibration_wh_mps2"),
    GRIP: ("orientation_change_deg", "gyro_rms_dps"),
}
LIGHT_COLUMNS: Mapping[str, tuple[str, ...]] = {
    GRIP: ("dc_step",),
    STRUCTURE: ("spectral_entropy", "spectral_peak_ratio"),
    LIGHT: ("template_correlation", "skewness", "perfusion_index_pct"),
}
DOSES = (INTENSITY, VIBRATION)
"""Groups of which more never means less error, as in ``dose_response``."""
SLOPE_WINDOWS = (2, 8)
"""The reference's change is taken over so many windows to either side."""
MIN_WINDOWS = 100
"""Several per feature (own choice)."""
FOLDS = 5
LEAST_PER_ACTIVITY = 30
"""A minute of windows at the default step (common practice, no source)."""
RIDGE = 0.01
"""Of each standardised feature's variance: keeps features that say the same from fighting."""
COLLINEAR = 0.8
ROUNDING = 1e-9
INTERVAL_BLOCK_S = 240.0
"""Seconds per block of the intervals (own choice, by the coverage of `error_variance`)."""
LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class GroupShare:
    """What one group of features tells of the error: its share of the variance, 0..1.

    With its 95 % interval; ``alone`` is what it explains without the others.
    """

    group: str
    n_features: int
    share: float
    low: float
    high: float
    alone: float


@dataclass(frozen=True, slots=True)
class ErrorVariance:
    """The share of the error's variance within activities that all groups explain, taken apart.

    The groups' shares sum to ``explained``. ``collinear`` lists pairs of groups that tell
    much the same, with their largest squared canonical correlation (Hotelling 1936,
    Biometrika 28:321): how their shares divide is then a convention.
    """

    explained: float
    low: float
    high: float
    groups: tuple[GroupShare, ...]
    collinear: tuple[tuple[str, str, float], ...]
    n_windows: int
    n_left_out: int


def error_features(
    motion: WindowTable, light: WindowTable, oracle: WindowTable, reference_bpm: FloatArray
) -> dict[str, FloatArray]:
    """Return the features of every group, ``(n, k)`` each, that these tables hold.

    Parameters
    ----------
    motion, light, oracle
        As from ``motion_windows``, ``ppg_windows`` and ``oracle_windows`` on one grid; without
        columns where the band lacks the sensor.
    reference_bpm
        ``(n,)``, NaN where not trusted.
    """
    columns: dict[str, list[FloatArray]] = {
        name: [] for name in (INTENSITY, STRUCTURE, VIBRATION, GRIP, DYNAMICS, LIGHT)
    }
    for table, names_of in ((motion, MOTION_COLUMNS), (light, LIGHT_COLUMNS)):
        for group, names in names_of.items():
            columns[group] += [table[name] for name in names if name in table]
    if "acc_explained_share" in oracle:
        columns[STRUCTURE].append(oracle["acc_explained_share"])
    if "cadence_per_min" in motion:
        overlap = cadence_distance(reference_bpm, motion["cadence_per_min"])
        columns[STRUCTURE].append(np.abs(overlap.distance_bpm))
    columns[DYNAMICS] = [np.abs(_change(reference_bpm, reach)) for reach in SLOPE_WINDOWS]
    return {group: np.column_stack(found) for group, found in columns.items() if found}


def error_variance(
    absolute_error_bpm: FloatArray,
    features: Mapping[str, FloatArray],
    activity: StrArray | None = None,
    *,
    step_s: float = STEP_S,
) -> ErrorVariance:
    """Share the error's explained variance out among groups of features.

    Parameters
    ----------
    absolute_error_bpm
        ``(n,)`` in time order; NaN where a window has none.
    features
        Per group ``(n, k)``; as from `error_features`.
    activity
        Name per window, ``(n,)``, ``""`` between activities; all windows are of one if left out.
    step_s
        Seconds between windows; sets the length of blocks.

    Raises
    ------
    InputError
        If fewer than 100 windows of long enough activities have an error, or within activities
        all errors are alike or no feature varies.

    Notes
    -----
    Of nominal 95 % intervals 91 to 98 of 100 hold the true share: in simulated series of 400 to
    3600 windows that go together with 0.5 to 0.9 from one to the next, of one to four activities
    whose levels differ twice as much as windows within them, with three or four groups of two or
    three features of which some tell nothing, and normal, skewed or lumpy errors.
    """
    if activity is None:
        activity = np.full(absolute_error_bpm.shape, "")
    usable, place = _usable(absolute_error_bpm, activity)
    n = place.size
    if n < MIN_WINDOWS:
        raise InputError(
            f"only {n} windows have an error, in activities of at least {LEAST_PER_ACTIVITY}; its "
            f"variance needs {MIN_WINDOWS}"
        )
    response = _within(np.log1p(absolute_error_bpm[usable]), place)
    ranked = {name: _ranked(values[usable], place) for name, values in features.items()}
    ranked = {name: values for name, values in ranked.items() if values.shape[1] > 0}
    if not ranked or np.ptp(response) <= ROUNDING:
        raise InputError("nothing varies: give errors that differ and features that do")
    names = list(ranked)
    step_s = checked_positive(step_s, "step_s")
    fold = np.arange(n) // usable_block(n, round(BLOCK_S / step_s)) % FOLDS
    squares = _squares(response, ranked, fold)
    weights = np.vstack([shapley_weights(names), np.eye(squares.shape[1])])
    found = weights @ _explained(squares)
    n_fitted = sum(values.shape[1] for values in ranked.values()) + int(place.max()) + 1
    block = usable_block(n, round(INTERVAL_BLOCK_S / step_s))
    reach = _reach(_pull(squares) @ weights.T, response, n_fitted, block)
    low, high = found - reach, found + reach
    return ErrorVariance(
        explained=float(found[-1]),
        low=float(low[-1]),
        high=float(high[-1]),
        groups=tuple(
            GroupShare(
                group=name,
                n_features=ranked[name].shape[1],
                share=float(found[i]),
                low=float(low[i]),
                high=float(high[i]),
                alone=float(found[len(names) + 1 + i]),
            )
            for i, name in enumerate(names)
        ),
        collinear=_collinear(ranked),
        n_windows=n,
        n_left_out=int(usable.size - n),
    )


def _change(values: FloatArray, reach: int) -> FloatArray:
    """Return each value's change from ``reach`` before to ``reach`` after; NaN at the ends."""
    change = np.full(values.shape, np.nan)
    if values.size > 2 * reach:
        change[reach:-reach] = values[2 * reach :] - values[: -2 * reach]
    return change


def _usable(absolute_error_bpm: FloatArray, activity: StrArray) -> tuple[BoolArray, IntArray]:
    """Return which windows count, and the number of the activity of each of these."""
    usable = np.isfinite(absolute_error_bpm)
    names, count = np.unique(activity[usable], return_counts=True)
    usable &= np.isin(activity, names[count >= LEAST_PER_ACTIVITY])
    return usable, np.unique(activity[usable], return_inverse=True)[1]


def _within(values: FloatArray, place: IntArray) -> FloatArray:
    """Return values less the mean of their activity."""
    means = np.bincount(place, weights=values) / np.bincount(place)
    return np.asarray(values - means[place])


def _ranked(columns: FloatArray, place: IntArray) -> FloatArray:
    """Return ranks within activities, mean 0 and variance 1, missing ones 0.

    Of columns only that vary within some activity.
    """
    ranks = []
    for column in columns.T:
        known = np.isfinite(column)
        rank = np.zeros(column.size)
        if known.any():
            of_known = np.unique(place[known], return_inverse=True)[1]
            rank[known] = _within(stats.rankdata(column[known]) / known.sum(), of_known)
        spread = float(np.std(rank[known])) if known.any() else 0.0
        if spread > ROUNDING:
            ranks.append(rank / spread)
    return np.array(ranks).reshape(len(ranks), columns.shape[0]).T


def _squares(response: FloatArray, ranked: Mapping[str, FloatArray], fold: IntArray) -> FloatArray:
    """Return each window's squared error, ``(n, 2**groups)`` in subset order.

    The mean of that with the window left out and that with all windows seen.
    """
    names = list(ranked)
    design = np.column_stack([np.ones(response.size), *ranked.values()])
    owner = np.repeat(np.arange(len(names)), [ranked[name].shape[1] for name in names])
    chosen = [
        np.concatenate(([0], 1 + np.flatnonzero(np.isin(owner, [names.index(g) for g in members]))))
        for members in subsets(names)
    ]
    dose = np.concatenate(([False], np.isin(owner, [names.index(g) for g in DOSES if g in names])))
    everything = np.ones(response.size, dtype=bool)
    judge = partial(_squared_errors, response, design, chosen, dose)
    squares = judge(seen=everything, judged=everything)
    for number in np.unique(fold):
        out = fold == number
        squares[out] += judge(seen=~out, judged=out)
    return squares / 2.0


def _squared_errors(
    response: FloatArray,
    design: FloatArray,
    chosen: Sequence[IntArray],
    dose: BoolArray,
    *,
    seen: BoolArray,
    judged: BoolArray,
) -> FloatArray:
    """Return what ridge regressions on ``chosen`` columns leave of the judged windows."""
    penalty = np.full(design.shape[1], RIDGE * np.count_nonzero(seen))
    penalty[0] = 0.0
    gram = design[seen].T @ design[seen] + np.diag(penalty)
    cross = design[seen].T @ response[seen]
    slopes = np.stack([_slopes(gram, cross, own, dose) for own in chosen], axis=1)
    return np.asarray((response[judged, np.newaxis] - design[judged] @ slopes) ** 2)


def _slopes(gram: FloatArray, cross: FloatArray, own: IntArray, dose: BoolArray) -> FloatArray:
    """Return least-squares slopes of every column, 0 but for ``own``; of doses none below 0.

    A dose whose slope comes out negative is left out, and the rest fitted again.
    """
    slopes = np.zeros(cross.size)
    slopes[own] = linalg.solve(gram[np.ix_(own, own)], cross[own], assume_a="pos")
    wrong = dose & (slopes < 0.0)
    return _slopes(gram, cross, own[~wrong[own]], dose) if wrong.any() else slopes


def _explained(squares: FloatArray) -> FloatArray:
    """Return the explained variance ``(sets,)`` by ``squares (n, sets)``; the first is none."""
    sums = squares.sum(axis=0)
    return np.asarray(1.0 - sums / sums[0])


def _pull(squares: FloatArray) -> FloatArray:
    """Return by how much each window moves what every set explains, ``(n, sets)``, sum 0."""
    sums = squares.sum(axis=0)
    return np.asarray((squares[:, :1] * sums / sums[0] - squares) / sums[0])


def _reach(pull: FloatArray, response: FloatArray, n_fitted: int, block: int) -> FloatArray:
    """Return how far the intervals of sums of ``pull (n, ...)`` reach to either side."""
    n = response.size
    worth = min(n, n * float(response @ response / long_variance_of_sum(response, block)))
    left = max(worth - n_fitted, 0.5 * worth)  # at most doubles the variance
    variance = long_variance_of_sum(pull, block) * worth / left
    upper = stats.t.ppf(0.5 * (1.0 + LEVEL), block_freedom(n / block))
    return np.asarray(upper * np.sqrt(variance))


def _collinear(ranked: Mapping[str, FloatArray]) -> tuple[tuple[str, str, float], ...]:
    bases = {name: linalg.orth(values - values.mean(axis=0)) for name, values in ranked.items()}
    pairs = []
    for one, other in combinations(bases, 2):
        largest = float(linalg.svdvals(bases[one].T @ bases[other])[0]) ** 2
        if largest > COLLINEAR:
            pairs.append((one, other, largest))
    return tuple(pairs)
