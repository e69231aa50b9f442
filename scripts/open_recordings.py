"""Read the open recordings that the benchmarks measure against, as their owners publish them.

IEEE Signal Processing Cup 2015 (Zhang, Pi & Liu 2015, IEEE Trans Biomed Eng 62:1902), 125 Hz:
MATLAB files with ``sig``, rows ECG (training set only), two green PPG, three ACC axes in g; and
beside each a file with ``BPM0``, whose name differs in its first word or its ending only.

Wrist PPG During Exercise (Jarchi & Casson 2017, Data 2:1), 256 Hz: EDF files with chest ECG,
green PPG and, from channel 8 on, a wide-range accelerometer in m/s²; ``*.qrs.txt`` lists beats.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import edfio
import numpy as np
from numpy.typing import NDArray
from scipy.io import loadmat, whosmat

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Treadmill:
    """Light ``(n, 2)``, motion ``(n, 3)`` in g, the published rate per window; ECG if any."""

    name: str
    ecg: Floats | None
    ppg: Floats
    acc: Floats
    bpm: Floats
    fs_hz: float = 125.0


@dataclass(frozen=True, eq=False)
class WristExercise:
    """ECG ``(n,)``, light ``(n, 1)``, motion ``(n, 3)`` in m/s², annotated beats in seconds."""

    name: str
    activity: str
    ecg: Floats
    ppg: Floats
    acc: Floats
    beat_s: Floats
    fs_hz: float = 256.0


def treadmill_recordings(data: Path) -> Iterator[Treadmill]:
    """Yield the recordings below ``data/datasets/ieee_spc2015`` that have a published rate."""
    signals, rates = {}, {}
    for path in sorted((data / "datasets" / "ieee_spc2015").rglob("*.mat")):
        held = {name for name, _, _ in whosmat(path)}
        key = path.stem.partition("_")[2].removesuffix("_BPMtrace")
        if "BPM0" in held:
            rates[key] = path
        elif "sig" in held:
            signals[key] = path
    for key, path in signals.items():
        if key in rates:
            rows = loadmat(path)["sig"].astype(np.float64)
            ecg = rows[0] if len(rows) == 6 else None
            ppg, acc = rows[-5:-3].T, rows[-3:].T
            bpm = loadmat(rates[key])["BPM0"].ravel().astype(np.float64)
            yield Treadmill(path.stem.partition("_TYPE")[0], ecg, ppg, acc, bpm)


def wrist_recordings(data: Path) -> Iterator[WristExercise]:
    """Yield the recordings below ``data/datasets/wrist_ppg_exercise``."""
    for path in sorted((data / "datasets" / "wrist_ppg_exercise").glob("*.edf")):
        channels = [np.asarray(signal.data) for signal in edfio.read_edf(path).signals[:11]]
        fields = [line.split() for line in path.with_suffix(".qrs.txt").read_text().splitlines()]
        marks = sorted(int(f[1]) for f in fields if len(f) > 2 and f[2] == "N")
        yield WristExercise(
            name=path.stem,
            activity=path.stem.partition("_")[2].replace("_", " "),
            ecg=channels[0],
            ppg=channels[1][:, np.newaxis],
            acc=np.column_stack(channels[8:]),
            beat_s=np.array(marks) / 256.0,
        )
