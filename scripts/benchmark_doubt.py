"""Measure how well windows out of tolerance are told without the reference.

Usage: python scripts/benchmark_doubt.py --data FOLDER

FOLDER holds datasets/, as PALPATE_DATA does. Every recording is judged by a model that was
fitted without it (for the treadmill also without its disturbed copy). Printed per estimator
and set: windows, windows out of tolerance, and the area under the ROC curve over the set's
windows; the area of every feature alone; how the robust estimate's smaller errors on the
treadmill are told; the calibration; and the models fitted to all
recordings, as they stand in ``palpate.explanation.doubt``; that of any source is fitted to
all estimators.

The disturbed treadmill recordings carry noise in the pulse band, 0.7 to 6 times the light's RMS,
in stretches of 20 to 60 s: the robust estimator is within tolerance in every window of the
recordings as they are, so that these alone cannot say whether it would be doubted in time.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise, product
from pathlib import Path

import numpy as np

from benchmark_heartrate import WristRecord, treadmill, wrist
from palpate.conditioning import zero_phase
from palpate.evaluation import tolerance_bpm
from palpate.explanation import oracle_windows
from palpate.explanation.doubt import (
    ANY_SOURCE,
    FEATURES,
    DoubtModel,
    area_under_roc,
    doubt_features,
    fit_doubt,
    second_opinion,
)
from palpate.heartrate import METHODS, estimate
from palpate.ppg import ppg_windows
from palpate.signals import BoolArray, FloatArray, WindowTable

TREADMILL, DISTURBED, WRIST = "treadmill", "disturbed", "wrist"
NOISE_GAIN = (0.7, 6.0)
STRETCH_S = (20.0, 60.0)
SEED = 11
SMALL_ERRORS_BPM = (2.0, 3.0, 4.0)


@dataclass(frozen=True, eq=False)
class Judged:
    """One estimator on one recording: features and whether it was out of tolerance."""

    recording: str
    kind: str
    method: str
    features: FloatArray
    error_bpm: FloatArray
    outside: BoolArray


def disturbed(record: WristRecord, rng: np.random.Generator) -> WristRecord:
    """Return the recording with stretches of noise in its light."""
    light = zero_phase(record.ppg, fs_hz=record.fs_hz, low_hz=0.5, high_hz=4.0)
    noise = zero_phase(rng.normal(size=light.shape), fs_hz=record.fs_hz, low_hz=0.5, high_hz=4.0)
    gain = np.zeros((light.shape[0], 1))
    at = 0
    while at < gain.size:
        quiet, loud = (int(record.fs_hz * rng.uniform(*STRETCH_S)) for _ in range(2))
        gain[at + quiet : at + quiet + loud] = np.exp(rng.uniform(*np.log(NOISE_GAIN)))
        at += quiet + loud
    noise *= light.std(axis=0) / noise.std(axis=0)
    return replace(record, ppg=record.ppg + gain * noise)


def judged(record: WristRecord, kind: str) -> Iterator[Judged]:
    """Yield every estimator's features on one recording."""
    given = {m: estimate(record.ppg, record.acc, fs_hz=record.fs_hz, method=m) for m in METHODS}
    light = ppg_windows(record.ppg, fs_hz=record.fs_hz)
    for method, rate in given.items():
        windows = WindowTable(
            rate.start_s, rate.end_s, {"estimate_bpm": rate.hr_bpm, "confidence": rate.confidence}
        )
        line = oracle_windows(record.ppg, record.acc, rate.hr_bpm, fs_hz=record.fs_hz)
        features = doubt_features(
            windows,
            second_bpm=given[second_opinion(method)].hr_bpm,
            at_estimate=line,
            light=light,
        )
        error = np.abs(rate.hr_bpm - record.true_bpm)
        known = np.isfinite(error)
        outside = error > tolerance_bpm(record.true_bpm)
        yield Judged(record.name, kind, method, features[known], error[known], outside[known])


def fitted(items: list[Judged]) -> DoubtModel:
    """Fit one model to all of these."""
    return fit_doubt(
        np.concatenate([item.features for item in items]),
        np.concatenate([item.outside for item in items]),
    )


def main() -> None:
    """Judge every recording by the others and print how well."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--data", type=Path, required=True)
    folder = parser.parse_args().data / "datasets"
    rng = np.random.default_rng(SEED)
    items: list[Judged] = []
    for record in treadmill(folder / "ieee_spc2015"):
        items += judged(record, TREADMILL)
        items += judged(disturbed(record, rng), DISTURBED)
    for record in wrist(folder / "wrist_ppg_exercise"):
        items += judged(record, WRIST)
    scores = left_out_scores(items)
    print_areas(items, scores)
    print_small_errors([i for i in items if (i.method, i.kind) == ("robust", TREADMILL)], scores)
    print_calibration(
        np.concatenate([i.outside for i in items]), np.concatenate([scores[id(i)] for i in items])
    )
    for source in (ANY_SOURCE, *METHODS):
        print_model(source, fitted([i for i in items if source in (ANY_SOURCE, i.method)]))


def left_out_scores(items: list[Judged]) -> dict[int, FloatArray]:
    """Return per item, by identity, what a model says that never saw its recording."""
    scores = {}
    for item in items:
        others = [i for i in items if i.recording != item.recording and i.method == item.method]
        scores[id(item)] = fitted(others).probability(item.features)
    return scores


def print_areas(items: list[Judged], scores: dict[int, FloatArray]) -> None:
    """Print the area under the ROC curve of the left-out scores and of each feature alone."""
    print(f"{'estimator':14s} {'set':10s} {'windows':>7s} {'outside':>7s} {'area':>6s}", end="")
    print("".join(f" {name:>14s}" for name in FEATURES))
    for method, kind in product(METHODS, (TREADMILL, DISTURBED, WRIST)):
        mine = [i for i in items if (i.method, i.kind) == (method, kind)]
        outside = np.concatenate([i.outside for i in mine])
        area = area_under_roc(outside, np.concatenate([scores[id(i)] for i in mine]))
        print(f"{method:14s} {kind:10s} {outside.size:7d} {outside.sum():7d} {area:6.3f}", end="")
        features = np.nan_to_num(np.concatenate([i.features for i in mine]))
        print("".join(f" {area_under_roc(outside, f):14.3f}" for f in features.T))


def print_small_errors(mine: list[Judged], scores: dict[int, FloatArray]) -> None:
    """Print the area for windows that are further off than so many bpm, tolerated or not."""
    error_bpm = np.concatenate([item.error_bpm for item in mine])
    score = np.concatenate([scores[id(item)] for item in mine])
    print("\nrobust on the treadmill, which is always within tolerance")
    for limit_bpm in SMALL_ERRORS_BPM:
        off = error_bpm > limit_bpm
        area = area_under_roc(off, score)
        print(f"  {off.sum():4d} windows off by more than {limit_bpm:g} bpm: area {area:.3f}")


def print_model(source: str, model: DoubtModel) -> None:
    """Print a model, one line per feature."""
    print(f"\n{source:15s} coefficient   centre   spread")
    for row in zip(FEATURES, model.coefficients, model.centre, model.spread, strict=True):
        print("{:14s} {:12.3f} {:8.3f} {:8.3f}".format(*row))
    print(f"{'intercept':14s} {model.intercept:12.3f}")


def print_calibration(outside: BoolArray, probability: FloatArray) -> None:
    """Print how often windows of each stated probability were out of tolerance."""
    print(f"\n{'stated':>12s} {'windows':>8s} {'seen':>6s}")
    edges = np.linspace(0.0, 1.0, 6)
    for low, high in pairwise(edges.tolist()):
        mine = (probability >= low) & (probability < high)
        print(f"{low:5.1f} to {high:3.1f} {mine.sum():8d} {outside[mine].mean():6.2f}")


if __name__ == "__main__":
    main()
