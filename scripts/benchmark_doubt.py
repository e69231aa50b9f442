"""Measure how well windows out of tolerance are told without the reference.

Usage: python scripts/benchmark_doubt.py --data FOLDER

FOLDER holds datasets/, as PALPATE_DATA does. Every recording is judged by a model that was
fitted without it and without its copies. Printed per estimator and set: windows, windows out of
tolerance, and the area under the ROC curve over the set's windows; the area of every feature
alone; how the robust estimate's smaller errors on the treadmill are told; the calibration; and
the models fitted to the treadmill, disturbed and wrist sets, as they stand in
``palpate.explanation.doubt``; that of any source is fitted to all estimators.

treadmill, wrist  the recordings as they are; on the treadmill the robust estimator is within
                  tolerance in every window, so that these alone cannot say whether it would be
                  doubted in time
disturbed         the treadmill with noise in the pulse band, 0.7 to 6 times the light's RMS, in
                  stretches of 20 to 60 s
reversed          the treadmill backwards, so that sprints fall where they rose
one channel       the treadmill with its first light channel only
leak              that channel with a mixture of the accelerometer's axes added, bent so that no
                  linear filter cancels it (signed power 1.3), 2 to 8 times the light's RMS
wrist leak        the same for the wrist
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise, product
from pathlib import Path

import numpy as np

from benchmark_heartrate import WristRecord, treadmill, wrist
from palpate.conditioning import STEP_S, WINDOW_S, zero_phase
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
from palpate.motion import motion_windows
from palpate.ppg import ppg_windows
from palpate.signals import BoolArray, FloatArray, WindowTable

TREADMILL, DISTURBED, WRIST = "treadmill", "disturbed", "wrist"
FITTED = (TREADMILL, DISTURBED, WRIST)
REVERSED, ONE_CHANNEL, LEAK, WRIST_LEAK = "reversed", "one channel", "leak", "wrist leak"
DEGRADED = (REVERSED, ONE_CHANNEL, LEAK, WRIST_LEAK)
PULSE_HZ = (0.5, 4.0)
NOISE_GAIN = (0.7, 6.0)
LEAK_GAIN = (2.0, 8.0)
BENT = 1.3
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
    light = pulse_band(record.ppg, record)
    noise = pulse_band(rng.normal(size=light.shape), record)
    gain = np.zeros((light.shape[0], 1))
    at = 0
    while at < gain.size:
        quiet, loud = (int(record.fs_hz * rng.uniform(*STRETCH_S)) for _ in range(2))
        gain[at + quiet : at + quiet + loud] = np.exp(rng.uniform(*np.log(NOISE_GAIN)))
        at += quiet + loud
    noise *= light.std(axis=0) / noise.std(axis=0)
    return replace(record, ppg=record.ppg + gain * noise)


def pulse_band(values: FloatArray, record: WristRecord) -> FloatArray:
    """Return what of a signal beats as fast as a pulse."""
    return zero_phase(values, fs_hz=record.fs_hz, low_hz=PULSE_HZ[0], high_hz=PULSE_HZ[1])


def backwards(record: WristRecord) -> WristRecord:
    """Return the recording from its last window's end to its beginning."""
    n = int(record.fs_hz * (WINDOW_S + STEP_S * (record.true_bpm.size - 1)))
    ppg, acc = record.ppg[:n][::-1], record.acc[:n][::-1]
    return replace(record, ppg=ppg, acc=acc, true_bpm=record.true_bpm[::-1])


def leaking(record: WristRecord, rng: np.random.Generator) -> WristRecord:
    """Return the recording with bent motion in its light."""
    light, motion = pulse_band(record.ppg, record), pulse_band(record.acc, record)
    mixed = motion @ rng.normal(size=(motion.shape[1], light.shape[1]))
    bent = np.sign(mixed) * np.abs(mixed) ** BENT
    gain = np.exp(rng.uniform(*np.log(LEAK_GAIN)))
    return replace(record, ppg=record.ppg + gain * light.std(axis=0) / bent.std(axis=0) * bent)


def judged(record: WristRecord, kind: str) -> Iterator[Judged]:
    """Yield every estimator's features on one recording."""
    given = {m: estimate(record.ppg, record.acc, fs_hz=record.fs_hz, method=m) for m in METHODS}
    light = ppg_windows(record.ppg, fs_hz=record.fs_hz)
    gravity = np.median(np.linalg.norm(record.acc, axis=1))  # the sets differ in unit
    motion = motion_windows(record.acc / gravity, fs_hz=record.fs_hz, unit="g")
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
            motion=motion,
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
    data = parser.parse_args().data
    rng = np.random.default_rng(SEED)
    items: list[Judged] = []
    for record in treadmill(data):
        one = replace(record, ppg=record.ppg[:, :1])
        items += judged(record, TREADMILL)
        items += judged(disturbed(record, rng), DISTURBED)
        items += judged(backwards(record), REVERSED)
        items += judged(one, ONE_CHANNEL)
        items += judged(leaking(one, rng), LEAK)
    for record in wrist(data):
        items += judged(record, WRIST)
        items += judged(leaking(record, rng), WRIST_LEAK)
    scores = left_out_scores(items)
    print_areas(items, scores)
    print_small_errors([i for i in items if (i.method, i.kind) == ("robust", TREADMILL)], scores)
    known = [i for i in items if i.kind in FITTED]
    print_calibration(
        np.concatenate([i.outside for i in known]), np.concatenate([scores[id(i)] for i in known])
    )
    for source in (ANY_SOURCE, *METHODS):
        print_model(source, fitted([i for i in known if source in (ANY_SOURCE, i.method)]))


def left_out_scores(items: list[Judged]) -> dict[int, FloatArray]:
    """Return per item, by identity, what a model says that never saw its recording."""
    scores = {}
    for recording, method in {(item.recording, item.method) for item in items}:
        own = [i for i in items if i.method == method]
        model = fitted([i for i in own if i.kind in FITTED and i.recording != recording])
        for item in own:
            if item.recording == recording:
                scores[id(item)] = model.probability(item.features)
    return scores


def print_areas(items: list[Judged], scores: dict[int, FloatArray]) -> None:
    """Print the area under the ROC curve of the left-out scores and of each feature alone."""
    print(f"{'estimator':14s} {'set':11s} {'windows':>7s} {'outside':>7s} {'area':>6s}", end="")
    print("".join(f" {name:>14s}" for name in FEATURES))
    for method, kind in product(METHODS, (*FITTED, *DEGRADED)):
        mine = [i for i in items if (i.method, i.kind) == (method, kind)]
        outside = np.concatenate([i.outside for i in mine])
        area = area_under_roc(outside, np.concatenate([scores[id(i)] for i in mine]))
        print(f"{method:14s} {kind:11s} {outside.size:7d} {outside.sum():7d} {area:6.3f}", end="")
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
