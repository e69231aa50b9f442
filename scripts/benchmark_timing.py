"""Measure how well clocks and latencies are found, on simulated pairs and real recordings.

Usage: python scripts/benchmark_timing.py [--data FOLDER] [--pairs N] [--unrelated N]
                                          [--rows N] [--seed S]

Without --seed every run draws new sessions. FOLDER holds datasets/, as PALPATE_DATA does.

Simulated pairs are of one hour: a heart and two devices that saw it, with 5 % of readings
or samples missing, noise, other rates, other orientation, an offset and a drift. Targets:
offset within 0.5 s (heart rate), 20 ms (acceleration, taps); drift within 5 ppm
(acceleration); delay within 1 s, smoothing within 20 %; at most 1 % of unrelated pairs
called known; one hour of two devices in 1 s. Unrelated pairs are different wearers on
different evenings, half of them with the same plan of activities.

Real recordings are shifted by a known time and must be found there.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path

import edfio
import numpy as np
from numpy.typing import NDArray
from scipy import interpolate, ndimage, signal
from scipy.spatial.transform import Rotation

from open_recordings import treadmill_recordings
from palpate.ecg import detect_qrs
from palpate.io.heart_rate_series import read_heart_rate
from palpate.signals import Role
from palpate.simulation import simulate_session
from palpate.simulation.physiology import GRID_HZ, Heart, simulate_heart
from palpate.simulation.scenario import ALDER, Bout, bout_edges, hut_supply
from palpate.timing import (
    ClockFit,
    Verdict,
    align_accelerations,
    align_heart_rates,
    align_pulses,
    align_taps,
    latency,
    rate_of_beats,
)
from palpate.timing.latency import smoothed

Floats = NDArray[np.float64]
Rng = np.random.Generator

HOUR_S = 3600.0
MISSING = 0.05
NOISE_BPM = 0.8
MOVEMENTS = (("still", 62, 80), ("handling", 80, 105), ("stepping", 100, 165),
             ("lifting", 120, 185), ("gravel", 95, 150))  # fmt: skip
MAX_DRIFT_PPM = 100.0
MAX_OFFSET_S = 120.0
LEAD_S = 150.0
POOL = 33  # wearers per kind of evening; they make 528 pairs


def main() -> None:
    """Print every table that the arguments ask for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--data", type=Path, help="folder that holds datasets/")
    parser.add_argument("--pairs", type=int, default=30, help="related pairs of each kind")
    parser.add_argument("--unrelated", type=int, default=1000, help="unrelated pairs, heart rate")
    parser.add_argument("--rows", type=int, default=10_000_000, help="rows of the long file; 0: no")
    parser.add_argument("--seed", type=int, default=time.time_ns() % 1_000_000_007)
    arguments = parser.parse_args()
    print(f"seed {arguments.seed}")
    seeds = np.random.SeedSequence(arguments.seed).spawn(8)
    rngs = [np.random.default_rng(seed) for seed in seeds]
    heart_rate_pairs(rngs[0], arguments.pairs)
    acceleration_pairs(rngs[1], max(arguments.pairs // 3, 1))
    tap_pairs(rngs[2], arguments.pairs)
    pulse_pairs(rngs[3], arguments.pairs)
    latencies(rngs[4], arguments.pairs)
    unrelated_rates(rngs[5], arguments.unrelated)
    unrelated_accelerations(rngs[6], arguments.unrelated)
    if arguments.data is not None:
        real_heart_rates(arguments.data)
        real_accelerations(arguments.data / "datasets" / "wrist_ppg_exercise", rngs[7])
    if arguments.rows:
        long_file(arguments.rows)


# Simulated sessions


def evening(rng: Rng, duration_s: float = HOUR_S) -> list[Bout]:
    """Return an evening of random bouts."""
    bouts: list[Bout] = []
    left_s = duration_s
    while left_s > 0:
        movement, low, high = MOVEMENTS[int(rng.integers(len(MOVEMENTS)))]
        lasts_s = float(rng.uniform(20, 60) if movement == "lifting" else rng.uniform(60, 480))
        bouts.append(
            Bout(
                activity="",
                duration_s=lasts_s,
                demand_bpm=float(rng.uniform(low, high)),
                movement=movement,  # type: ignore[arg-type]
            )
        )
        left_s -= lasts_s
    return bouts


def heart_of(rng: Rng, bouts: list[Bout] | tuple[Bout, ...]) -> Heart:
    """Return a heart that goes through the bouts, with room before and after."""
    edges = bout_edges(bouts)
    time_s = np.arange(-LEAD_S, float(edges[-1]) + LEAD_S, 1.0 / GRID_HZ)
    which = np.clip(np.searchsorted(edges, time_s, "right") - 1, 0, len(bouts) - 1)
    demand = np.array([bout.demand_bpm for bout in bouts])[which]
    return simulate_heart(int(rng.integers(2**31)), time_s, demand)


def device_readings(
    rng: Rng, heart: Heart, at_s: Floats, *, delay_s: float = 0.0, smoothing_s: float = 0.0
) -> Floats:
    """Return whole bpm at session seconds, late, smoothed, noisy, with readings missing."""
    late = smoothed(heart.hr_bpm, smoothing_s, fs_hz=GRID_HZ)
    noise = signal.lfilter([0.6], [1.0, -0.8], rng.standard_normal(at_s.size))
    shown = np.round(heart.at(late, at_s - delay_s) + NOISE_BPM * noise)
    shown[rng.random(at_s.size) < MISSING] = np.nan
    return np.asarray(shown)


def clock(rng: Rng) -> tuple[float, float]:
    """Return an offset in seconds and a drift in ppm."""
    return (
        float(rng.uniform(-MAX_OFFSET_S, MAX_OFFSET_S)),
        float(rng.uniform(-MAX_DRIFT_PPM, MAX_DRIFT_PPM)),
    )


# Related pairs


class Errors:
    """Collects what fits got wrong at the middle of the recording, and prints a line."""

    def __init__(self, name: str, target: str) -> None:
        self.name, self.target = name, target
        self.lag_s: list[float] = []
        self.drift_ppm: list[float] = []
        self.covered: list[bool] = []
        self.spent_s: list[float] = []
        self.refused = 0

    def add(self, fit: ClockFit, truth: tuple[float, float], middle_s: float, spent: float) -> None:
        """Add a fit of which ``truth`` is offset and drift."""
        self.spent_s.append(spent)
        if fit.verdict is not Verdict.KNOWN or fit.longest is None:
            self.refused += 1
            return
        drift = fit.drift_ppm - truth[1]
        self.lag_s.append(fit.offset_s - truth[0] + drift * 1e-6 * middle_s)
        self.drift_ppm.append(drift)
        low_s, high_s = fit.longest.offset_interval_s
        self.covered.append(low_s <= truth[0] <= high_s)

    def show(self) -> None:
        """Print the line."""
        lag, drift = np.abs(self.lag_s), np.abs(self.drift_ppm)
        if lag.size == 0:
            print(f"{self.name:<14} all {self.refused} refused")
            return
        print(
            f"{self.name:<14} {lag.size:4d} known {self.refused:3d} refused | lag error median "
            f"{1e3 * np.median(lag):7.1f} ms, largest {1e3 * lag.max():7.1f} ms | drift error "
            f"median {np.median(drift):6.2f}, largest {drift.max():6.2f} ppm | interval holds "
            f"{100 * np.mean(self.covered):3.0f} % | {np.median(self.spent_s):.2f} CPU s each | "
            f"target {self.target}"
        )


def timed(
    align: Callable[..., ClockFit], *series: Floats, **keywords: float
) -> tuple[ClockFit, float]:
    """Return a fit and the seconds of processor time it took."""
    begun = time.process_time()
    result = align(*series, **keywords)
    return result, time.process_time() - begun


def heart_rate_pairs(rng: Rng, count: int) -> None:
    """Align two devices' heart rates."""
    errors = Errors("heart rate", "500 ms")
    own_s = np.arange(0.0, HOUR_S)
    for _ in range(count):
        heart, truth = heart_of(rng, evening(rng)), clock(rng)
        first = device_readings(rng, heart, own_s)
        second = device_readings(rng, heart, own_s * (1 + truth[1] * 1e-6) + truth[0])
        fit, spent = timed(align_heart_rates, own_s, first, own_s, second)
        errors.add(fit, truth, HOUR_S / 2, spent)
    errors.show()


def acceleration(rng: Rng, bouts: list[Bout] | tuple[Bout, ...]) -> tuple[Floats, float]:
    """Return one wrist's acceleration in g through the bouts, ``(n, 3)``, and its rate."""
    session = simulate_session(
        seed=int(rng.integers(2**31)), bouts=bouts, bands=(ALDER,), faults=(), ecg_lead_count=1
    ).session
    waveform = session.recordings[1].of_role(Role.ACC)[0]
    return waveform.values, waveform.fs_hz


def second_device(
    rng: Rng, acc: Floats, fs_hz: float, truth: tuple[float, float]
) -> tuple[Floats, float]:
    """Return what another device on the same arm records at 64 Hz, and its first second.

    It is turned, moves by itself as much again as the arm does, has noise and 10 bits.
    """
    own_s = np.arange(int(acc.shape[0] / fs_hz * 64.0), dtype=np.float64) / 64.0
    at = (own_s * (1 + truth[1] * 1e-6) + truth[0]) * fs_hz
    inside = (at >= 0) & (at < acc.shape[0] - 1)
    values = interpolate.CubicSpline(np.arange(acc.shape[0]), acc)(at[inside])
    values = values @ Rotation.random(random_state=int(rng.integers(2**31))).as_matrix().T
    moving = values - ndimage.gaussian_filter1d(values, 64.0, axis=0)
    effort = np.sqrt(ndimage.gaussian_filter1d(np.square(moving).sum(axis=1), 64.0))
    own = ndimage.gaussian_filter1d(rng.standard_normal(values.shape), 3.0, axis=0)
    own *= effort[:, np.newaxis] / (own.std() * np.sqrt(3.0))
    values = values + own + 0.004 * rng.standard_normal(values.shape)
    values = np.round(values * 64.0) / 64.0
    values[rng.random(values.shape[0]) < MISSING] = np.nan
    return values, float(own_s[inside].min())


def acceleration_pairs(rng: Rng, count: int) -> None:
    """Align two accelerometers on one arm."""
    errors = Errors("acceleration", "20 ms, 5 ppm, 1 s per hour")
    for _ in range(count):
        (acc, fs_hz), truth = acceleration(rng, evening(rng)), clock(rng)
        other, start_s = second_device(rng, acc, fs_hz, truth)
        acc = acc.copy()
        acc[rng.random(acc.shape[0]) < MISSING] = np.nan
        fit, spent = timed(
            align_accelerations, acc, other, reference_fs_hz=fs_hz, fs_hz=64.0, start_s=start_s
        )
        errors.add(fit, truth, HOUR_S / 2, spent)
    errors.show()


def tapped(rng: Rng, tap_s: Floats, *, fs_hz: float, truth: tuple[float, float]) -> Floats:
    """Return half an hour of standing and walking in which the device is tapped."""
    own_s = np.arange(int(HOUR_S / 2 * fs_hz)) / fs_hz
    at_s = own_s * (1 + truth[1] * 1e-6) + truth[0]
    walking = (at_s > 300) & (at_s < 1200)
    acc = 0.01 * rng.standard_normal((own_s.size, 3)) + np.array([0.0, 0.0, 1.0])
    for harmonic, size in ((1, 0.3), (2, 0.15), (5, 0.08)):
        acc[:, 0] += walking * size * np.sin(2 * np.pi * 1.8 * harmonic * at_s + harmonic)
    for tap in tap_s.tolist():
        near = np.flatnonzero(np.abs(at_s - tap) < 0.3)
        after = np.maximum(at_s[near] - tap, 0.0)
        ring = np.exp(-after / 0.02) * np.sin(2 * np.pi * 20.0 * after)
        acc[near] += rng.uniform(1.0, 2.5) * ring[:, np.newaxis] * np.array([0.3, 0.5, 0.8])
    acc[rng.random(own_s.size) < MISSING] = np.nan
    return np.asarray(acc)


def tap_pairs(rng: Rng, count: int) -> None:
    """Align by five taps at the start and six at the end."""
    errors = Errors("taps", "20 ms")
    for _ in range(count):
        offset_s, drift_ppm = clock(rng)
        truth = (offset_s / 4.0, drift_ppm)
        tap_s = np.concatenate(
            [at + np.cumsum(rng.normal(0.5, 0.05, n)) for at, n in ((90.0, 5), (1700.0, 6))]
        )
        first = tapped(rng, tap_s, fs_hz=100.0, truth=(0.0, 0.0))
        second = tapped(rng, tap_s, fs_hz=64.0, truth=truth)
        fit, spent = timed(align_taps, first, second, reference_fs_hz=100.0, fs_hz=64.0)
        errors.add(fit, truth, HOUR_S / 4, spent)
    errors.show()


def pulses_of(rng: Rng, heart: Heart) -> Floats:
    """Return pulse times in session seconds, late by the arrival time, lost and false at times."""
    arrival_s = 0.35 + 0.03 * np.sin(heart.beat_s / 300.0)
    seen_s = heart.beat_s + arrival_s + 0.015 * rng.standard_normal(heart.beat_s.size)
    seen_s = seen_s[rng.random(seen_s.size) > MISSING]
    false_s = rng.uniform(heart.beat_s[0], heart.beat_s[-1], seen_s.size // 30)
    return np.sort(np.append(seen_s, false_s))


def pulse_pairs(rng: Rng, count: int) -> None:
    """Align pulses with beats; 5 % of pulses are lost and 3 % false, arrival drifts by 60 ms."""
    errors = Errors("pulses", "100 ms of arrival time")
    for _ in range(count):
        heart, truth = heart_of(rng, evening(rng)), clock(rng)
        seen_s = pulses_of(rng, heart)
        own_s = np.sort((seen_s - truth[0]) / (1 + truth[1] * 1e-6))
        own_s = own_s[(own_s >= 0) & (own_s < HOUR_S)]
        beat_s = heart.beat_s[(heart.beat_s >= 0) & (heart.beat_s < HOUR_S)]
        fit, spent = timed(align_pulses, beat_s, own_s)
        errors.add(fit, truth, HOUR_S / 2, spent)
    errors.show()


def latencies(rng: Rng, count: int) -> None:
    """Measure delay and smoothing of a device that is wrong for a minute now and then."""
    delay, smoothing, covered = [], [], []
    for _ in range(count):
        heart = heart_of(rng, evening(rng))
        true_delay_s, true_smoothing_s = float(rng.uniform(0, 8)), float(rng.uniform(3, 20))
        own_s = np.arange(0.0, HOUR_S)
        shown = device_readings(
            rng, heart, own_s, delay_s=true_delay_s, smoothing_s=true_smoothing_s
        )
        for first in rng.integers(0, own_s.size - 60, size=4).tolist():
            shown[first : first + int(rng.integers(10, 60))] = rng.uniform(60, 170)
        found = latency(*rate_of_beats(heart.beat_s), own_s, shown)
        delay.append(found.delay_s - true_delay_s)
        smoothing.append(found.smoothing_s / true_smoothing_s - 1.0)
        low_s, high_s = found.delay_interval_s
        covered.append(low_s <= true_delay_s <= high_s)
    late, smooth = np.abs(delay), np.abs(smoothing)
    print(
        f"latency        {count:4d} | delay error median {np.median(late):.2f} s, largest "
        f"{late.max():.2f} s, within 1 s {100 * np.mean(late <= 1.0):.0f} % | smoothing error "
        f"median {100 * np.median(smooth):.0f} %, largest {100 * smooth.max():.0f} %, within 20 % "
        f"{100 * np.mean(smooth <= 0.2):.0f} % | delay interval holds {100 * np.mean(covered):.0f} "
        "% | target 1 s, 20 %"
    )


# Unrelated pairs


def unrelated_rates(rng: Rng, count: int) -> None:
    """Count confident verdicts on heart rates, and on pulses, of different hearts."""
    own_s = np.arange(0.0, HOUR_S / 2)
    hearts = [heart_of(rng, evening(rng, HOUR_S / 2)) for _ in range(POOL)]
    planned = [heart_of(rng, hut_supply(int(rng.integers(2**31)), scale=0.8)) for _ in range(POOL)]
    readings = [
        [device_readings(rng, heart, own_s) for heart in pool] for pool in (hearts, planned)
    ]
    for name, pool in zip(("any evenings", "same plan"), readings, strict=True):
        fits = (
            align_heart_rates(own_s, pool[a], own_s, pool[b])
            for a, b in _pairs(rng, len(pool), count // 2)
        )
        _show_unrelated(f"heart rate, {name}", fits)
    for name, wearers in (("any evenings", hearts), ("same plan", planned)):
        fits = (
            align_pulses(wearers[a].beat_s, pulses_of(rng, wearers[b]))
            for a, b in _pairs(rng, len(wearers), count // 2)
        )
        _show_unrelated(f"pulses, {name}", fits)


def unrelated_accelerations(rng: Rng, count: int) -> None:
    """Count confident verdicts on accelerometers of different wearers."""
    any_evening = [acceleration(rng, evening(rng, 900.0)) for _ in range(POOL)]
    planned = [
        acceleration(rng, hut_supply(int(rng.integers(2**31)), scale=0.4)) for _ in range(POOL)
    ]
    for name, pool in (("any evenings", any_evening), ("same plan", planned)):
        for way in (align_accelerations, align_taps):
            fits = (
                way(pool[a][0], pool[b][0], reference_fs_hz=pool[a][1], fs_hz=pool[b][1])
                for a, b in _pairs(rng, len(pool), count // 2)
            )
            _show_unrelated(f"{way.__name__.removeprefix('align_')}, {name}", fits)


def _pairs(rng: Rng, size: int, count: int) -> list[tuple[int, int]]:
    pairs = [(a, b) for a in range(size) for b in range(a)]
    return [pairs[i] for i in rng.permutation(len(pairs))[:count]]


def _show_unrelated(name: str, fits: Iterator[ClockFit]) -> None:
    verdicts = [fit.verdict for fit in fits]
    share = 100 * np.mean([verdict is Verdict.KNOWN for verdict in verdicts])
    unsure = sum(verdict is Verdict.AMBIGUOUS for verdict in verdicts)
    print(
        f"unrelated, {name:<28} {len(verdicts):4d} pairs | known {share:.2f} %, ambiguous "
        f"{unsure} | target known <= 1 %"
    )


# Real recordings


def real_heart_rates(data: Path) -> None:
    """Find the published heart-rate traces, shifted, in the recordings' own ECG."""
    shift_s = 37.25
    errors = Errors("SPC, BPM0", "500 ms, 5 min each")
    for one in treadmill_recordings(data):
        if one.ecg is None:
            continue
        rates = rate_of_beats(detect_qrs(one.ecg, fs_hz=one.fs_hz) / one.fs_hz)
        middle_s = 2.0 * np.arange(one.bpm.size, dtype=np.float64) + 4.0 + shift_s
        fit, spent = timed(align_heart_rates, *rates, middle_s, one.bpm)
        errors.add(fit, (-shift_s, 0.0), 150.0 + shift_s, spent)
    errors.show()


def real_accelerations(folder: Path, rng: Rng) -> None:
    """Find one accelerometer, cut at a random place, in the other one of the same wrist."""
    errors = Errors("wrist ACC", "20 ms, 5 min each; two sensors")
    for path in sorted(folder.glob("*.edf")):
        document = edfio.read_edf(path)
        first, second = (
            np.column_stack([document.signals[i].data for i in channels])
            for channels in ((5, 6, 7), (8, 9, 10))
        )
        cut = int(rng.integers(10 * 256, 60 * 256))
        second = second[cut:]
        second[rng.random(second.shape[0]) < MISSING] = np.nan
        fit, spent = timed(align_accelerations, first, second, reference_fs_hz=256.0, fs_hz=256.0)
        errors.add(fit, (cut / 256.0, 0.0), second.shape[0] / 512.0, spent)
    errors.show()


# A file too long for text in memory


def long_file(rows: int) -> None:
    """Read a heart-rate table of many rows and print time and memory."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long_hr.csv"
        lines = (f"{1_700_000_000 + i},{60 + i % 100}\n" for i in range(rows))
        with path.open("w", encoding="utf-8") as stream:
            stream.write("unix_s,hr\n")
            while block := "".join(islice(lines, 100_000)):
                stream.write(block)
        begun = time.perf_counter()
        found = read_heart_rate(path)
        spent = time.perf_counter() - begun
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"long file      {len(found.rate):,} rows, {path.stat().st_size / 1e6:.0f} MB of text "
            f"in {spent:.1f} s; peak memory of this process {peak_mb:.0f} MB"
        )


if __name__ == "__main__":
    main()
