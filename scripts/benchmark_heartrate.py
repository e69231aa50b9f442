"""Measure every wrist heart-rate method, ours and two libraries', on open recordings.

Usage: python scripts/benchmark_heartrate.py --data FOLDER [--csv FILE] [--perturb] [--vary]

FOLDER holds datasets/, as PALPATE_DATA does. Windows of 8 s every 2 s; error is estimate
minus reference in bpm; every window counts, and those without an estimate are counted.

ieee_spc2015         truth: BPM0 (Zhang, Pi & Liu 2015); mean of the recordings' mean absolute
                     errors, and the worst recording
wrist_ppg_exercise   truth: annotated beats, counted cycles (Jarchi & Casson 2017); mean
                     absolute error by activity

'There 5 %' is the share within 5 bpm of those wrist windows whose light carries the true rate
(``oracle_split``): after motion cancellation at most 5 % of all rates have as much power as the
true one. Light that has nothing to do with the annotation passes with that probability, so the
false alarms among these windows cap what an estimator can reach; 1 % and 10 % show how much
depends on the level. How many windows each level lets pass is printed first.
Risk-coverage area: the windows of both sets sorted by confidence, the share of errors
above 5 bpm (or the mean absolute error) among the best 1, 2, ... windows, averaged; lower is
better; a constant confidence gives the overall risk.

--perturb moves each parameter of the robust estimator by 30 % down and up. --vary runs it on
the treadmill recordings with fewer channels, other rates, reversed, or spoilt: mean absolute
error, that of the worst recording, share of windows within 5 bpm, risk-coverage area.
"""

from __future__ import annotations

import argparse
import csv
import time
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from open_recordings import (
    Treadmill,
    WristExercise,
    treadmill_recordings,
    wrist_recordings,
)
from palpate.conditioning import resample, window_grid
from palpate.ecg import window_heart_rate
from palpate.explanation import oracle_windows
from palpate.explanation.oracle_split import FALSE_ALARM
from palpate.heartrate import (
    METHODS,
    cancellation,
    estimate,
    evidence,
    robust,
    tracking,
    transients,
)
from palpate.ppg import ppg_windows

Floats = NDArray[np.float64]
Estimator = Callable[["WristRecord"], tuple[Floats, Floats]]

NEAR_BPM = 5.0
FALSE_ALARMS = (0.01, FALSE_ALARM, 0.1)
SPC, WRIST = "treadmill", "wrist"
QUALITY_INDICES = ("spectral_peak_ratio", "skewness", "template_correlation", "spectral_entropy")
PERTURBED = (
    (cancellation, "MEMORY_S"),
    (cancellation, "LAG_S"),
    (cancellation, "RIDGE"),
    (evidence, "HARMONIC"),
    (evidence, "LEAKAGE"),
    (evidence, "EVIDENCE_PER_S"),
    (evidence, "SMOOTH_BPM"),
    (tracking, "WANDER_BPM"),
    (tracking, "ANYWHERE"),
    (transients, "STEEPEST"),
    (robust, "TEMPER"),
)


@dataclass(frozen=True, eq=False)
class WristRecord:
    """Light and motion with the true rate per window."""

    name: str
    activity: str
    ppg: Floats
    acc: Floats
    fs_hz: float
    true_bpm: Floats
    chance: Floats

    @property
    def hours(self) -> float:
        """Length in hours."""
        return float(self.ppg.shape[0] / self.fs_hz / 3600.0)


def treadmill(data: Path) -> Iterator[WristRecord]:
    """Yield the treadmill recordings."""
    for one in treadmill_recordings(data):
        yield _record(one, SPC, one.bpm)


def wrist(data: Path) -> Iterator[WristRecord]:
    """Yield the wrist recordings."""
    for one in wrist_recordings(data):
        starts, ends = window_grid(0.0, one.ppg.shape[0] / one.fs_hz)
        yield _record(one, one.activity, window_heart_rate(one.beat_s, starts, ends))


def _record(one: Treadmill | WristExercise, activity: str, truth: Floats) -> WristRecord:
    starts, _ = window_grid(0.0, one.ppg.shape[0] / one.fs_hz)
    true_bpm = np.full(starts.size, np.nan)
    true_bpm[: truth.size] = truth[: starts.size]
    chance = oracle_windows(one.ppg, one.acc, true_bpm, fs_hz=one.fs_hz)["oracle_chance"]
    return WristRecord(one.name, activity, one.ppg, one.acc, one.fs_hz, true_bpm, chance)


def ours(method: str) -> Estimator:
    """Return one of palpate's methods."""

    def run(record: WristRecord) -> tuple[Floats, Floats]:
        rates = estimate(record.ppg, record.acc, fs_hz=record.fs_hz, method=method)
        return rates.hr_bpm, rates.confidence

    return run


def neurokit2_peaks(record: WristRecord) -> tuple[Floats, Floats]:
    """Count neurokit2's pulses (Elgendi 2013) of the first channel."""
    import neurokit2  # noqa: PLC0415 - slow to import

    fs_hz = round(record.fs_hz)
    clean = neurokit2.ppg_clean(record.ppg[:, 0], sampling_rate=fs_hz)
    peaks = neurokit2.ppg_findpeaks(clean, sampling_rate=fs_hz)["PPG_Peaks"]
    starts, ends = window_grid(0.0, record.ppg.shape[0] / record.fs_hz)
    hr_bpm = window_heart_rate(np.asarray(peaks) / record.fs_hz, starts, ends)
    return hr_bpm, np.full(hr_bpm.size, np.nan)


def heartpy_windows(record: WristRecord) -> tuple[Floats, Floats]:
    """Process each window of the first channel with heartpy, band-passed as it advises."""
    import heartpy  # noqa: PLC0415 - slow to import

    light = heartpy.filter_signal(record.ppg[:, 0], [0.7, 3.5], record.fs_hz, 3, "bandpass")
    starts, ends = window_grid(0.0, record.ppg.shape[0] / record.fs_hz)
    hr_bpm = np.full(starts.size, np.nan)
    for row, (start, end) in enumerate(zip(starts, ends, strict=True)):
        window = light[round(start * record.fs_hz) : round(end * record.fs_hz)]
        try:
            hr_bpm[row] = heartpy.process(window, record.fs_hz)[1]["bpm"]
        except (heartpy.exceptions.BadSignalWarning, ValueError, IndexError):
            continue
    return hr_bpm, np.full(hr_bpm.size, np.nan)


def measure(estimator: Estimator, records: list[WristRecord]) -> dict[str, float]:
    """Return one row of the table."""
    started = time.perf_counter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        results = [estimator(record) for record in records]
    seconds = time.perf_counter() - started
    error = [np.abs(hr - r.true_bpm) for (hr, _), r in zip(results, records, strict=True)]
    row: dict[str, float] = {}
    mean = np.array([np.nanmean(e) for e in error])
    kind = np.array([r.activity for r in records])
    row["SPC"], row["worst"] = mean[kind == SPC].mean(), mean[kind == SPC].max()
    for activity in sorted(set(kind) - {SPC}):
        row[activity] = mean[kind == activity].mean()
    outdoors = [i for i, k in enumerate(kind) if k != SPC]
    off = np.concatenate([error[i] for i in outdoors])
    chance = np.concatenate([records[i].chance for i in outdoors])
    row["wrist"] = mean[kind != SPC].mean()
    row["within 5"] = float(np.mean(off <= NEAR_BPM))
    for level in FALSE_ALARMS:
        row[f"there {level:.0%}"] = float(np.mean(off[chance <= level] <= NEAR_BPM))
    every = np.concatenate(error)
    confidence = np.concatenate([c for _, c in results])
    row["risk area"] = risk_coverage_area(confidence, (every > NEAR_BPM).astype(np.float64))
    row["risk bpm"] = risk_coverage_area(confidence, every)
    row["no value"] = float(np.mean(np.isnan(np.concatenate([hr for hr, _ in results]))))
    row["s per h"] = seconds / sum(r.hours for r in records)
    return row


def risk_coverage_area(confidence: Floats, loss: Floats) -> float:
    """Return the mean over coverages of the mean loss of the most confident windows."""
    known = np.isfinite(confidence) & np.isfinite(loss)
    if not known.any():
        return float("nan")
    ordered = loss[known][np.argsort(-confidence[known], kind="stable")]
    return float(np.mean(np.cumsum(ordered) / np.arange(1, ordered.size + 1)))


def rank_by_indices(records: list[WristRecord]) -> list[tuple[str, float, float]]:
    """Return the risk-coverage areas of ``robust`` with quality indices as its confidence."""
    error, columns = [], []
    for record in records:
        hr_bpm, _ = ours("robust")(record)
        error.append(np.abs(hr_bpm - record.true_bpm))
        table = ppg_windows(record.ppg, fs_hz=record.fs_hz)
        columns.append([table[name] for name in QUALITY_INDICES])
    every = np.concatenate(error)
    missed = (every > NEAR_BPM).astype(np.float64)
    rows = []
    for number, name in enumerate(QUALITY_INDICES):
        index = np.nan_to_num(np.concatenate([c[number] for c in columns]), nan=-np.inf)
        best = min((index, -index), key=lambda x: risk_coverage_area(_finite(x), missed))
        areas = [risk_coverage_area(_finite(best), loss) for loss in (missed, every)]
        rows.append((name, areas[0], areas[1]))
    return rows


def _finite(values: Floats) -> Floats:
    return np.clip(values, -1e300, 1e300)


def perturbed(records: list[WristRecord]) -> Iterator[tuple[str, dict[str, float]]]:
    """Yield the row of ``robust`` and ``robust_online`` for every moved parameter."""
    for module, name in PERTURBED:
        value = getattr(module, name)
        for factor in (0.7, 1.3):
            setattr(module, name, factor * value)
            for method in ("robust", "robust_online"):
                yield f"{method} {name} {factor:g}", measure(ours(method), records)
        setattr(module, name, value)


def _reversed(record: WristRecord) -> WristRecord:
    count = np.count_nonzero(np.isfinite(record.true_bpm))
    stop = round((2.0 * (count - 1) + 8.0) * record.fs_hz)
    return replace(
        record,
        ppg=record.ppg[:stop][::-1],
        acc=record.acc[:stop][::-1],
        true_bpm=record.true_bpm[:count][::-1],
    )


def _at_rate(record: WristRecord, fs_hz: float) -> WristRecord:
    ppg, acc = (resample(x, fs_hz=record.fs_hz, to_hz=fs_hz) for x in (record.ppg, record.acc))
    return replace(record, ppg=ppg, acc=acc, fs_hz=fs_hz)


def _jumping(record: WristRecord) -> WristRecord:
    """Move the level every 5 s by twenty times the pulse at rest."""
    rng = np.random.default_rng(0)
    size = 20.0 * record.ppg[: round(30.0 * record.fs_hz)].std(axis=0)
    jumps = rng.random((record.ppg.shape[0], 1)) < 0.2 / record.fs_hz
    level = np.cumsum(jumps * rng.normal(size=record.ppg.shape), axis=0)
    return replace(record, ppg=record.ppg + size * level)


def _lossy(record: WristRecord) -> WristRecord:
    """Lose twelve stretches of up to 3 s."""
    rng = np.random.default_rng(0)
    ppg = record.ppg.copy()
    for first in rng.integers(0, ppg.shape[0], 12):
        ppg[first : first + round(rng.uniform(0.2, 3.0) * record.fs_hz)] = np.nan
    return replace(record, ppg=ppg)


VARIANTS: dict[str, Callable[[WristRecord], WristRecord]] = {
    "as recorded": lambda r: r,
    "first light channel": lambda r: replace(r, ppg=r.ppg[:, :1]),
    "second light channel": lambda r: replace(r, ppg=r.ppg[:, 1:]),
    "x axis": lambda r: replace(r, acc=r.acc[:, :1]),
    "y axis": lambda r: replace(r, acc=r.acc[:, 1:2]),
    "z axis": lambda r: replace(r, acc=r.acc[:, 2:]),
    "no accelerometer": lambda r: replace(r, acc=r.acc[:, :0]),
    "25 Hz": lambda r: _at_rate(r, 25.0),
    "64 Hz": lambda r: _at_rate(r, 64.0),
    "reversed": _reversed,
    "level jumps": _jumping,
    "lost samples": _lossy,
}


def varied(records: list[WristRecord]) -> Iterator[tuple[str, list[float]]]:
    """Yield mean and worst error, share within 5 bpm and risk area of each variant."""
    for name, change in VARIANTS.items():
        changed = [change(record) for record in records]
        for method in ("robust", "robust_online"):
            results = [ours(method)(record) for record in changed]
            error = [np.abs(hr - r.true_bpm) for (hr, _), r in zip(results, changed, strict=True)]
            mean, every = np.array([np.nanmean(e) for e in error]), np.concatenate(error)
            known = np.isfinite(every)
            missed = (every[known] > NEAR_BPM).astype(np.float64)
            area = risk_coverage_area(np.concatenate([c for _, c in results])[known], missed)
            yield f"{method}, {name}", [mean.mean(), mean.max(), 1.0 - missed.mean(), area]


def show(name: str, row: dict[str, float]) -> None:
    """Print one row."""
    print(f"{name:34}" + "".join(f"{value:>{_width(key)}.3f}" for key, value in row.items()))


def _width(key: str) -> int:
    return max(len(key), 6) + 2


def main() -> None:
    """Print the table; write it as CSV where asked."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--data", type=Path, required=True, help="folder that holds datasets/")
    parser.add_argument("--csv", type=Path, help="write the table here as well")
    parser.add_argument("--perturb", action="store_true", help="move each parameter by 30 %%")
    parser.add_argument("--vary", action="store_true", help="change the treadmill recordings")
    options = parser.parse_args()
    records = [*treadmill(options.data), *wrist(options.data)]
    chance = np.concatenate([record.chance for record in records if record.activity != SPC])
    for level in FALSE_ALARMS:
        count = np.count_nonzero(chance <= level)
        print(f"the light carries the pulse at {level:.0%} false alarms: {count} of {chance.size}")
    libraries: dict[str, Estimator] = {
        "neurokit2 pulses": neurokit2_peaks,
        "heartpy windows": heartpy_windows,
    }
    table: list[tuple[str, dict[str, float]]] = []
    for name, estimator in {**{m: ours(m) for m in METHODS}, **libraries}.items():
        table.append((name, measure(estimator, records)))
        if len(table) == 1:
            print(f"{'method':34}" + "".join(f"{k:>{_width(k)}}" for k in table[0][1]))
        show(*table[-1])
    print("\nrisk-coverage areas of robust by a single quality index (better sign)")
    for name, area, area_bpm in rank_by_indices(records):
        print(f"  {name:24}{area:9.4f}{area_bpm:9.3f}")
    if options.perturb:
        print()
        for name, row in perturbed(records):
            table.append((name, row))
            show(name, row)
    if options.vary:
        print(
            f"\n{'changed treadmill recordings':38}{'bpm':>8}{'worst':>8}{'within':>8}{'risk':>8}"
        )
        for name, values in varied([r for r in records if r.activity == SPC]):
            print(f"{name:38}" + "".join(f"{value:8.3f}" for value in values))
    if options.csv:
        with options.csv.open("w", newline="", encoding="utf-8") as handle:
            writer = csv.writer(handle)
            writer.writerow(["method", *table[0][1]])
            writer.writerows([name, *row.values()] for name, row in table)


if __name__ == "__main__":
    main()
