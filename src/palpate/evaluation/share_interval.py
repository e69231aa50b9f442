"""An interval for a share of windows that overlap and last: of so many, so many did.

The binomial interval of a uniform prior, with as many draws as the windows are worth: the
effective sample size of Korn & Graubard (1998, Surv Methodol 24:193), whose variance here is
that among blocks of neighbouring windows. Of draws whose number is known it holds 95 of 100
shares, if all shares are as likely; among eight intervals for clustered data it and Wilson's
were the best calibrated (Franco et al. 2019, J Surv Stat Methodol 7:334). Resampled shares know
of no answer that did not turn up: where all of a few windows say the same, their interval has
no width, this one has.

Deviations
----------
* Where all say the same the interval reaches that end.
* Where hardly an answer dissents, the variance among blocks cannot tell how long answers last.
  Then an episode, counted windows that follow one another, is one draw, or as many as it has
  blocks. With every stretch of dissent the variance that is seen weighs more: see `PRIOR`.
"""

from __future__ import annotations

import numpy as np
from scipy import stats

from palpate.evaluation.binomial import uniform_prior
from palpate.evaluation.block_variance import block_freedom, variance_of_sum
from palpate.evaluation.bootstrap import BLOCK_S, usable_block
from palpate.signals import BoolArray, IntArray, WindowTable

PRIOR = 2.0
"""Stretches of the rarer answer at which what is seen of its variance counts as much as the
assumption that answers last as long as episodes (own choice, by the coverage below)."""
ACTIVITY_BLOCK_S = 75.0
"""Seconds per block within one activity, which has few long ones: of activities of 4 and 10 min
whose windows go together with 0.8 to 0.95 from one to the next, 93 to 100 of 100 nominal 95 %
intervals hold the true share (0.5, 0.9, 0.97)."""


def share_interval(
    yes: BoolArray, counted: BoolArray, *, block: int, overlap: float = 1.0, level: float = 0.95
) -> tuple[float, float]:
    """Return an interval ``(low, high)`` for the share of ``yes`` among the ``counted`` windows.

    Parameters
    ----------
    yes, counted
        ``(n,)`` in time order; ``yes`` tells only where counted.
    block
        Windows per block, longer than answers last.
    overlap
        How many windows lie over any instant: counted windows no farther apart are of one episode.

    Notes
    -----
    NaN where nothing is counted. With 300 to 1200 windows, a third of them counted, that go
    together with 0.5 to 0.9 from one to the next, 92 to 98 of 100 nominal 95 % intervals hold
    the true share, 90 to 97 where it is 0.95 (0.5, 0.9, and all shares as likely). With four to
    ten episodes of 20 to 60 s, each of one answer but for none or a fiftieth of its windows, 94
    to 98 of 100 do if all shares are as likely; of single shares, 83 to 100.
    """
    n_counted = int(np.count_nonzero(counted))
    if n_counted == 0:
        return float("nan"), float("nan")
    share = float(np.mean(yes[counted]))
    draws = _draws_by_variance(yes, counted, block, share, level)
    episodes = sum(max(1.0, one.size / block) for one in _stretches(counted, overlap))
    dissents = len(_stretches(counted & (yes != (share > 0.5)), overlap))
    seen = dissents / (dissents + PRIOR)
    draws = 1.0 / (seen / draws + (1.0 - seen) / min(episodes, draws))
    return uniform_prior(share, max(draws, 1.0), level)


def share_of_windows(
    windows: WindowTable, yes: BoolArray, counted: BoolArray, *, block_s: float = BLOCK_S
) -> tuple[float, float]:
    """Return the interval for a share of a session's windows, by their length and step.

    ``windows`` are all of the session's, in time order; the rest is as in `share_interval`.
    """
    if len(windows) == 1:
        return share_interval(yes, counted, block=1)
    block = usable_block(len(windows), windows.count_in(block_s))
    overlap = max(1.0, float(np.median(windows.end_s - windows.start_s)) / windows.step_s)
    return share_interval(yes, counted, block=block, overlap=overlap)


def _draws_by_variance(
    yes: BoolArray, counted: BoolArray, block: int, share: float, level: float
) -> float:
    """Return how many independent answers would have the variance among blocks."""
    n_counted = float(np.count_nonzero(counted))
    variance = float(variance_of_sum(np.where(counted, yes - share, 0.0), block))
    if variance == 0.0:
        return n_counted
    upper = 0.5 * (1.0 + level)
    freedom = block_freedom(np.unique(np.flatnonzero(counted) // block).size)
    student = stats.t.ppf(upper, max(freedom, 1.0)) / stats.norm.ppf(upper)
    return min(n_counted, share * (1.0 - share) * n_counted**2 / (variance * student**2))


def _stretches(windows: BoolArray, overlap: float) -> list[IntArray]:
    """Return the places of windows, those together that follow within a window's length."""
    at = np.flatnonzero(windows)
    return np.split(at, np.flatnonzero(np.diff(at) > overlap) + 1) if at.size else []
