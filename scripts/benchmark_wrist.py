"""Time the wrist's whole chain on one hour of two light, three ACC and three gyro channels.

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python scripts/benchmark_wrist.py

Prints one line per stage: CPU and wall seconds, the least of several runs, on one core.
The target for the sum with the default estimator is 2 s.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np

from palpate.conditioning import window_samples
from palpate.explanation import oracle_windows
from palpate.heartrate import estimate
from palpate.motion import gyro_windows, motion_flags, motion_windows
from palpate.ppg import ppg_windows
from palpate.signals import FloatArray

FS_HZ = 128.0
TARGET_S = 2.0


def synthetic_hour(seed: int = 0) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return light ``(n, 2)``, acceleration in g ``(n, 3)`` and gyro in deg/s ``(n, 3)``."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(3600 * FS_HZ)) / FS_HZ
    swing = np.sin(2 * np.pi * 0.9 * t)
    acc = np.stack([0.3 * swing, 0.2 * swing**2, np.ones(t.size)], axis=1)
    acc += rng.normal(scale=0.03, size=acc.shape)
    pulse = np.sin(2 * np.pi * 1.4 * t) + 0.3 * np.sin(4 * np.pi * 1.4 * t) + swing + 200.0
    ppg = pulse[:, np.newaxis] + rng.normal(scale=0.3, size=(t.size, 2))
    return ppg, acc, 30.0 * rng.normal(size=(t.size, 3))


def least(run: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Return the least CPU and wall seconds of ``repeats`` runs."""
    cpu, wall = [], []
    for _ in range(repeats):
        cpu_start, wall_start = time.process_time(), time.perf_counter()
        run()
        cpu.append(time.process_time() - cpu_start)
        wall.append(time.perf_counter() - wall_start)
    return min(cpu), min(wall)


def main() -> None:
    """Time every stage and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--method", default="robust", help="heart rate estimator")
    options = parser.parse_args()
    ppg, acc, gyro = synthetic_hour()
    rate = np.full(window_samples(ppg.shape[0], fs_hz=FS_HZ)[0].size, 84.0)
    stages: dict[str, Callable[[], object]] = {
        "motion": lambda: motion_flags(motion_windows(acc, fs_hz=FS_HZ, unit="g")),
        "gyroscope": lambda: gyro_windows(gyro, fs_hz=FS_HZ),
        "light": lambda: ppg_windows(ppg, fs_hz=FS_HZ),
        options.method: lambda: estimate(ppg, acc, fs_hz=FS_HZ, method=options.method),
        "oracle": lambda: oracle_windows(ppg, acc, rate, fs_hz=FS_HZ),
    }
    total_cpu = total_wall = 0.0
    print(f"{'stage':12s} {'CPU s':>7s} {'wall s':>7s}")
    for name, run in stages.items():
        cpu, wall = least(run, options.repeats)
        total_cpu, total_wall = total_cpu + cpu, total_wall + wall
        print(f"{name:12s} {cpu:7.3f} {wall:7.3f}")
    print(f"{'sum':12s} {total_cpu:7.3f} {total_wall:7.3f}   target {TARGET_S:g}")


if __name__ == "__main__":
    main()
