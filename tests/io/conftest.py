"""Small files of every format, with samples that are known."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from scipy import io as scipy_io

from palpate.signals import (
    Activity,
    RateSeries,
    Recording,
    Role,
    Session,
    SourceFile,
    Waveform,
    WindowTable,
)


@pytest.fixture
def edf_file(tmp_path: Path) -> Path:
    """Ten seconds of ECG (100 Hz, mV) and three axes of acceleration (50 Hz, g)."""
    edfio = pytest.importorskip("edfio", reason="EDF files are written by edfio")
    t = np.arange(1000) / 100
    signals = [
        edfio.EdfSignal(
            np.sin(2 * np.pi * t), 100, label="ECG", physical_dimension="mV",
            physical_range=(-2, 2),
        )
    ]  # fmt: skip
    for k, axis in enumerate("xyz"):
        data = np.cos(2 * np.pi * np.arange(500) / 50 + k)
        signals.append(
            edfio.EdfSignal(
                data, 50, label=f"acc {axis}", physical_dimension="g", physical_range=(-2, 2)
            )
        )
    path = tmp_path / "alder.edf"
    edfio.Edf(
        signals,
        recording=edfio.Recording(startdate=datetime(2025, 3, 1).date()),
        starttime=datetime(2025, 3, 1, 18, 30, 5).time(),
    ).write(path)
    return path


@pytest.fixture
def wfdb_file(tmp_path: Path) -> Path:
    """Two leads of 1,000 samples at 250 Hz in format 16; sample 3 of lead 'V5' is invalid."""
    wfdb = pytest.importorskip("wfdb", reason="WFDB records are written by wfdb")
    samples = np.column_stack([np.arange(1000) % 200, np.arange(1000) % 100]).astype(np.int64)
    samples[3, 1] = -(2**15)
    wfdb.wrsamp(
        "hut",
        fs=250,
        units=["mV", "mV"],
        sig_name=["MLII", "V5"],
        d_signal=samples,
        fmt=["16", "16"],
        adc_gain=[200.0, 100.0],
        baseline=[0, 50],
        write_dir=str(tmp_path),
    )
    return tmp_path / "hut.hea"


@pytest.fixture
def mat_file(tmp_path: Path) -> Path:
    """A matrix ``sig`` of six rows and 500 columns; element (i, j) is ``i + j / 1000``."""
    path = tmp_path / "run.mat"
    scipy_io.savemat(path, {"sig": np.arange(6)[:, np.newaxis] + np.arange(500) / 1000})
    return path


@pytest.fixture
def csv_file(tmp_path: Path) -> Path:
    """Two hundred rows at 50 Hz: elapsed time, green light, two axes in g."""
    rows = ["time_s,green,acc_x [g],acc_y [g]"]
    rows += [f"{k / 50:.3f},{1000 + k},{k / 1000},{-k / 1000}" for k in range(200)]
    path = tmp_path / "birch.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def write_sheet(tmp_path: Path) -> Callable[..., Path]:
    """Write a sheet of these lines behind ``schema = 1``."""

    def write(*lines: str, name: str = "session.toml") -> Path:
        path = tmp_path / name
        path.write_text("\n".join(["schema = 1", *lines]) + "\n", encoding="utf-8")
        return path

    return write


@pytest.fixture
def session() -> Session:
    """A session that uses every field of every record, awkward names included."""
    rng = np.random.default_rng(5)
    light = rng.normal(size=(300, 2))
    light[40:60, 1] = np.nan
    light[70, 0] = np.inf
    reading = np.array([0.0, 1.0, 2.5, 4.0])
    band = Recording(
        name="Alder/left",
        waveforms=(
            Waveform(
                "ppg", Role.PPG, light, 25.0, "a.u.", ("green", "infrared"), 0.52,
                (525.0, float("nan")), "left wrist",
            ),
            Waveform("acc", Role.ACC, rng.normal(size=(1200, 3)), 100.0, "m/s2", ("x", "y", "z")),
        ),
        rates=(
            RateSeries(
                "heart_rate", reading, reading + 1.0, np.array([61.0, np.nan, 70.25, 71.0]),
                np.array([0.5, np.nan, 0.9, 1.0]), np.array(["", "kein Wert – ü", "", ""]),
            ),
        ),
        device="Alder",
        firmware="2.1 β",
        placement="left wrist",
        start_time=datetime(2025, 3, 1, 18, 30, 5, 250000, tzinfo=UTC),
        clock_offset_s=-3.25,
        clock_drift_ppm=12.5,
        clock_known=False,
        sources=(SourceFile("alder.csv", "ab" * 32), SourceFile("alder_hr.csv", "cd" * 32)),
    )  # fmt: skip
    chest = Recording(
        "chest", (Waveform("ecg", Role.ECG, rng.normal(size=(3000, 1)), 250.0, "mV"),)
    )
    return Session(
        title="Hut supply, evening",
        recordings=(chest, band),
        activities=(Activity("rest", 0.0, 5.0), Activity("crate lifting", 5.0, 11.5)),
        wearer="carrier 3",
        notes="light rain\n" + "long " * 20_000,
    )


@pytest.fixture
def window_table() -> WindowTable:
    """Three windows with a column of every kind."""
    start = np.array([0.0, 2.0, 4.0])
    return WindowTable(
        start,
        start + 8.0,
        {
            "enmo_g": np.array([0.1, np.nan, 0.3]),
            "trusted": np.array([True, False, True]),
            "n_beats": np.array([9, 10, 11]),
            "reason": np.array(["", "flat line", "Störung"]),
            "a/b": np.array([1.0, 2.0, 3.0]),
        },
    )
