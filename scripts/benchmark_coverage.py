"""Measure how often nominal 95 % intervals hold the truth, on simulated series.

Usage: python scripts/benchmark_coverage.py [--series N] [--seed N]

Windows remember: each is correlated with the next by ``memory`` (first-order autoregressive, as
the errors of 8 s windows every 2 s on open treadmill recordings are with 0.3 to 0.9). The target
is 92 to 97 %; with 400 series a measured share is within 2 points of its own truth.

fit, limit        dose-response: error rises linearly with motion, times a skewed factor
share             windows with a property among those outside tolerance (the oracle split): one
                  half, nine in ten, and anything; few answers hold one share too often and
                  another too seldom, so that the third tells most
useful, useless   variance shares of two groups of three features, one of which goes with the
                  error; the truth is that of series of 30 000 windows
typical, within   a study of five sessions: typical error, and share within tolerance
paired, apart     the ratio, 0.7, of errors that are a line in motion, of five sessions a side;
                  the second side moves 1.4 times as much
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator

import numpy as np
from scipy import stats
from scipy.signal import lfilter

from palpate.evaluation.bootstrap import BLOCK_S, usable_block
from palpate.evaluation.share_interval import share_interval
from palpate.explanation.dose_response import dose_response
from palpate.explanation.variance import error_variance
from palpate.signals import BoolArray, FloatArray
from palpate.study.pooling import share_of_sessions, typical_of_sessions
from palpate.study.ratios import paired_ratio, unpaired_ratio

STEP_S = 2.0
OVERLAP = 4.0  # windows of 8 s
SLOPE_BPM, REST_BPM, TOLERANCE_BPM = 20.0, 1.0, 5.0
LONG = 30_000
SESSIONS = 5
RATIO = 0.7
Hits = dict[str, list[bool]]


def remembering(rng: np.random.Generator, n: int, columns: int, memory: float) -> FloatArray:
    """Return standard normal series ``(n, columns)``."""
    news = rng.normal(size=(n + 200, columns)) * np.sqrt(1.0 - memory**2)
    return np.asarray(lfilter([1.0], [1.0, -memory], news, axis=0)[200:])


def dose_hits(rng: np.random.Generator, n: int, memory: float) -> Iterator[tuple[str, bool]]:
    """Yield whether the fit, at the middle half of the motion, and the limit are held."""
    motion, factor = remembering(rng, n, 2, memory).T
    dose = 0.2 * np.exp(0.6 * motion)
    error = (REST_BPM + SLOPE_BPM * dose) * np.exp(0.5 * factor - 0.125)
    names = np.full(n, "one")
    found = dose_response(dose, error, names, tolerance_bpm=TOLERANCE_BPM, n_resamples=500)
    low, high = np.quantile(dose, (0.25, 0.75))
    for at in np.flatnonzero((found.grid >= low) & (found.grid <= high))[::10]:
        truth = REST_BPM + SLOPE_BPM * found.grid[at]
        yield "fit", bool(found.fit_low_bpm[at] <= truth <= found.fit_high_bpm[at])
    limit = (TOLERANCE_BPM - REST_BPM) / SLOPE_BPM
    yield "limit", bool(found.limit_low <= limit and not found.limit_high < limit)


def share_hit(rng: np.random.Generator, n: int, memory: float, share: float) -> bool:
    """Return whether the share of windows outside tolerance with a property is held."""
    wrong, clear = remembering(rng, n, 2, memory).T
    has: BoolArray = clear < stats.norm.ppf(share)
    block = usable_block(n, round(BLOCK_S / STEP_S))
    low, high = share_interval(has, wrong > 0.5, block=block, overlap=OVERLAP)
    return low <= share <= high


def shares(rng: np.random.Generator) -> list[tuple[str, float]]:
    """Name the shares to be held."""
    return [("share 0.5", 0.5), ("share 0.9", 0.9), ("share any", float(rng.random()))]


def episodes_hit(rng: np.random.Generator, episodes: int, share: float) -> bool:
    """Return the same where each episode of a minute says one thing, in half an hour."""
    n, length = 900, 30
    counted, has = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    for first in length * rng.choice(n // length, episodes, replace=False):
        counted[first : first + length] = True
        has[first : first + length] = rng.random() < share
    low, high = share_interval(has, counted, block=round(BLOCK_S / STEP_S), overlap=OVERLAP)
    return low <= share <= high


def grouped(
    rng: np.random.Generator, n: int, memory: float
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Return absolute errors, a group of features that goes with them and one that does not."""
    groups = {name: remembering(rng, n, 3, memory) for name in ("useful", "useless")}
    logarithm = remembering(rng, n, 1, memory)[:, 0] + groups["useful"][:, 0]
    return np.exp(1.0 + 0.7 * logarithm), groups


def variance_truth(rng: np.random.Generator, memory: float) -> dict[str, float]:
    """Return each group's share in long series."""
    runs = [error_variance(*grouped(rng, LONG, memory), step_s=STEP_S).groups for _ in range(4)]
    return {
        same[0].group: float(np.mean([one.share for one in same]))
        for same in zip(*runs, strict=True)
    }


def variance_hits(
    rng: np.random.Generator, n: int, memory: float, truth: dict[str, float]
) -> Iterator[tuple[str, bool]]:
    """Yield whether each group's share is held."""
    for one in error_variance(*grouped(rng, n, memory), step_s=STEP_S).groups:
        yield one.group, one.low <= truth[one.group] <= one.high


def study_hits(rng: np.random.Generator) -> Iterator[tuple[str, bool]]:
    """Yield whether five sessions hold the median session's error and the mean share."""
    error = typical_of_sessions(np.exp(rng.normal(1.0, 0.5, SESSIONS)))
    yield "typical", bool(error.low <= np.e <= error.high)
    share = share_of_sessions(rng.beta(9.0, 1.0, SESSIONS))
    yield "within", bool(share.low <= 0.9 <= share.high)


def ratio_hit(rng: np.random.Generator, *, paired: bool) -> bool:
    """Return whether a ratio of errors at equal motion is held."""
    motion = 0.2 * np.exp(rng.normal(0.0, 0.4, (2, SESSIONS)))
    evening = rng.normal(0.0, 0.4, (2, SESSIONS))
    if paired:
        motion[1] = motion[0] * np.exp(rng.normal(0.0, 0.15, SESSIONS))
        evening[1] = evening[0]
    motion[1] *= 1.4
    error = (1.0 + 20.0 * motion) * np.exp(rng.normal(0.0, 0.35, (2, SESSIONS)) + evening)
    if paired:
        found = paired_ratio(error[0], RATIO * error[1], motion[1] / motion[0])
    else:
        found = unpaired_ratio(error[0], RATIO * error[1], motion=motion.ravel())
    return found is not None and found.low <= RATIO <= found.high


def add(hits: Hits, found: Iterator[tuple[str, bool]]) -> None:
    """Count what was held."""
    for name, held in found:
        hits.setdefault(name, []).append(held)


def show(what: str, hits: Hits) -> None:
    """Print one line of shares, per cent."""
    told = "  ".join(f"{name} {100.0 * np.mean(held):.1f}" for name, held in hits.items())
    print(f"{what:28s}{told}", flush=True)


def main() -> None:
    """Simulate and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--series", type=int, default=400)
    parser.add_argument("--seed", type=int, help="default: a fresh one")
    options = parser.parse_args()
    sequence = np.random.SeedSequence(options.seed)
    print(f"seed {sequence.entropy}, {options.series} series each, per cent (target 92 to 97)")
    rng = np.random.default_rng(sequence)
    for memory in (0.5, 0.8, 0.9):
        truth = variance_truth(rng, memory)
        for n in (300, 1200):
            hits: Hits = {}
            for _ in range(options.series):
                add(hits, dose_hits(rng, n, memory))
                add(hits, variance_hits(rng, n, memory, truth))
                for name, share in shares(rng):
                    hits.setdefault(name, []).append(share_hit(rng, n, memory, share))
            show(f"memory {memory}, {n} windows", hits)
    for episodes in (4, 10):
        few: Hits = {}
        for _ in range(options.series):
            for name, share in shares(rng):
                few.setdefault(name, []).append(episodes_hit(rng, episodes, share))
        show(f"{episodes} episodes", few)
    study: Hits = {}
    for _ in range(10 * options.series):
        add(study, study_hits(rng))
        for name, paired in (("paired", True), ("apart", False)):
            study.setdefault(name, []).append(ratio_hit(rng, paired=paired))
    show("study of five sessions", study)


if __name__ == "__main__":
    main()
