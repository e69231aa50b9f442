"""Errors of a condition in an activity over all of its sessions.

Every session gives one number and counts once, since windows of one session are alike (summary
measures, Matthews et al. 1990, BMJ 300:230). With one session there is no interval. Limits of
agreement are those of repeated pairs within sessions (Zou 2013, Stat Methods Med Res 22:630),
without his intervals, which want independent pairs.

Three kinds of numbers have three intervals; the coverage is of nominal 95 % ones, 10 000 to
20 000 draws each of 3, 5, 8 and 12 sessions.

* Mean errors are signed: Student's interval of their mean.
* Mean absolute errors are skewed, and one bad evening makes their mean. What is told is the
  typical session, half of them better and half worse: the geometric mean, with Student's
  interval of the logarithms. It holds the median of normal, lognormal (σ 0.3 to 0.8), gamma,
  uniform and shifted exponential errors, and of those where one evening in five is four times
  as bad, in 92 to 96 % (Student's of the plain numbers holds their mean in 76 to 95 %).
* Shares end at 0 and 1: the binomial interval of their mean, with as many draws as have the
  variance between sessions (Korn & Graubard 1998, Surv Methodol 24:193). It holds the mean of
  beta and logit-normal shares of 0.25 to 0.98 in 91 to 97 %, 87 to 91 % where most sessions
  lie near 1 and some anywhere (Student's: 77 to 95 %). Where one evening in five is of another
  kind and none was met, no interval knows of it: 68 to 70 % with three to five sessions.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from palpate.evaluation.binomial import clopper_pearson
from palpate.evaluation.bland_altman import repeated_limits_of_agreement
from palpate.evaluation.scoring import ALL
from palpate.signals import FloatArray
from palpate.study.sessions import Condition, SessionErrors, median_of_known

FEWEST_SESSIONS = 5
"""Fewer sessions of an activity prove nothing (common practice, no source)."""
FEWEST_OUTSIDE = 10
"""Windows outside tolerance from which a session says what share a cause has in them."""
GOOD_R = 0.95
"""A correlation that counts as good enough in steady cycling (common practice, no source)."""
LEAST_MAE_BPM = 0.1
"""Smaller errors count as this, since 0 has no logarithm (own choice)."""
DRAWS_PER_SESSION = 3
"""What a session is worth where all have the same share and their spread is not known: it is
taken to be that of shares that may be anything, whose variance is a third of yes and no."""
LEVEL = 0.95


class MeanOfSessions(NamedTuple):
    """Mean of one number per session, and its 95 % interval; NaN where there are too few."""

    mean: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, eq=False)
class PooledErrors:
    """A condition in an activity over all of its sessions.

    Parameters
    ----------
    sessions, wearers
        Names, sorted; wearers without a name are not counted.
    n_windows
        Scored windows of all sessions.
    mae_bpm
        Mean absolute error of the typical session: the geometric mean over sessions.
    bias_bpm, share_within, coverage
        Means over sessions of mean error, share of scored windows within tolerance, and share
        of windows with an estimate.
    loa_low_bpm, loa_high_bpm
        95 % limits of agreement between and within sessions; NaN with one session.
    session_mae_bpm
        ``(n_sessions,)``, in the order of ``sessions``.
    median_r, n_good_r
        Median of the sessions' correlations, and how many reach `GOOD_R`.
    mad_g
        Median of the sessions' motion intensities, g.
    causes
        Windows outside tolerance by cause, most frequent first.
    cause_shares, n_with_causes
        Mean over sessions of each cause's share in a session's windows outside tolerance,
        largest first, and how many sessions have at least `FEWEST_OUTSIDE` and enter.
    rise_late_s
        ``(m,)``: of every rise of the reference, how late the source showed it; NaN where it
        did not.
    """

    condition: Condition
    activity: str
    sessions: tuple[str, ...]
    wearers: tuple[str, ...]
    n_windows: int
    mae_bpm: MeanOfSessions
    bias_bpm: MeanOfSessions
    share_within: MeanOfSessions
    coverage: MeanOfSessions
    loa_low_bpm: float
    loa_high_bpm: float
    session_mae_bpm: FloatArray
    median_r: float
    n_good_r: int
    mad_g: float
    causes: Mapping[str, int]
    cause_shares: Mapping[str, float]
    n_with_causes: int
    rise_late_s: FloatArray

    @property
    def n_rises_seen(self) -> int:
        """How many of the rises the source showed."""
        return int(np.isfinite(self.rise_late_s).sum())

    @property
    def enough(self) -> bool:
        """Whether there are as many sessions as are wanted."""
        return len(self.sessions) >= FEWEST_SESSIONS


def activities_of(pooled: Iterable[PooledErrors]) -> list[str]:
    """Name the activities in order of appearance, the whole session last."""
    names = dict.fromkeys(one.activity for one in pooled)
    return sorted(names, key=lambda name: name == ALL)


def pool_sessions(errors: Iterable[SessionErrors]) -> tuple[PooledErrors, ...]:
    """Pool the sessions of every condition and activity, in order of appearance."""
    groups: dict[tuple[Condition, str], list[SessionErrors]] = {}
    for one in errors:
        groups.setdefault((one.condition, one.activity), []).append(one)
    return tuple(_pooled(*key, held) for key, held in groups.items())


def mean_of_sessions(values: ArrayLike) -> MeanOfSessions:
    """Return the mean of one number per session ``(n,)`` with Student's 95 % interval.

    NaN is left out, here and below.
    """
    numbers = _known(values)
    mean = float(numbers.mean()) if numbers.size else float("nan")
    if numbers.size < 2:
        return MeanOfSessions(mean, float("nan"), float("nan"))
    reach = _student(numbers.size) * float(stats.sem(numbers))
    return MeanOfSessions(mean, mean - reach, mean + reach)


def typical_of_sessions(mae_bpm: ArrayLike) -> MeanOfSessions:
    """Return the geometric mean of one error per session ``(n,)``, its interval by logarithms."""
    logs = mean_of_sessions(np.log(np.maximum(mae_bpm, LEAST_MAE_BPM)))
    return MeanOfSessions(*np.exp(logs).tolist())


def share_of_sessions(shares: ArrayLike) -> MeanOfSessions:
    """Return the mean of one share per session ``(n,)``, 0..1, with a binomial interval.

    Of as many draws as have the variance between sessions; Student's t in the normal's place.
    """
    known = _known(shares)
    n, (mean, *_) = known.size, mean_of_sessions(known)
    if n < 2:
        return MeanOfSessions(mean, float("nan"), float("nan"))
    if np.ptp(known) == 0.0:
        draws = float(DRAWS_PER_SESSION * n)
    else:
        normal = float(stats.norm.ppf(0.5 * (1.0 + LEVEL)))
        of_mean = float(known.var(ddof=1)) / n * (_student(n) / normal) ** 2
        draws = mean * (1.0 - mean) / of_mean
    return MeanOfSessions(mean, *clopper_pearson(mean, max(draws, 1.0), LEVEL))


def _known(values: ArrayLike) -> FloatArray:
    numbers = np.asarray(values, dtype=np.float64)
    return numbers[np.isfinite(numbers)]


def _student(n: int) -> float:
    """Return Student's two-sided quantile for the mean of ``n``."""
    return float(stats.t.ppf(0.5 * (1.0 + LEVEL), n - 1))


def _pooled(condition: Condition, activity: str, held: Sequence[SessionErrors]) -> PooledErrors:
    held = sorted(held, key=lambda one: one.session)
    causes: Counter[str] = sum((Counter(one.causes) for one in held), Counter())
    telling = [one.causes for one in held if sum(one.causes.values()) >= FEWEST_OUTSIDE]
    correlations = np.array([one.errors.pearson_r for one in held])
    mae = np.array([one.errors.mae_bpm for one in held])
    loa_low, loa_high = _limits(held)
    return PooledErrors(
        condition=condition,
        activity=activity,
        sessions=tuple(one.session for one in held),
        wearers=tuple(sorted({one.wearer for one in held if one.wearer})),
        n_windows=sum(one.errors.n for one in held),
        mae_bpm=typical_of_sessions(mae),
        bias_bpm=mean_of_sessions([one.errors.bias_bpm for one in held]),
        share_within=share_of_sessions([one.errors.share_within for one in held]),
        coverage=share_of_sessions([one.coverage for one in held]),
        loa_low_bpm=loa_low,
        loa_high_bpm=loa_high,
        session_mae_bpm=mae,
        median_r=median_of_known(correlations),
        n_good_r=int(np.count_nonzero(correlations >= GOOD_R)),
        mad_g=median_of_known([one.mad_g for one in held]),
        causes=dict(causes.most_common()),
        cause_shares=_mean_shares(telling),
        n_with_causes=len(telling),
        rise_late_s=np.concatenate([one.rise_late_s for one in held]),
    )


def _mean_shares(counts: Sequence[Mapping[str, int]]) -> dict[str, float]:
    """Return the mean over sessions of each cause's share, largest first."""
    causes = dict.fromkeys(cause for one in counts for cause in one)
    shares = {
        cause: float(np.mean([one.get(cause, 0) / sum(one.values()) for one in counts]))
        for cause in causes
    }
    return dict(sorted(shares.items(), key=lambda item: -item[1]))


def _limits(held: Sequence[SessionErrors]) -> tuple[float, float]:
    if len(held) < 2:
        return float("nan"), float("nan")
    error = np.concatenate([one.error_bpm for one in held])
    session = np.repeat(np.arange(len(held)), [one.error_bpm.size for one in held])
    limits = repeated_limits_of_agreement(np.zeros_like(error), error, session)
    return limits.low, limits.high
