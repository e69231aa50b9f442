"""The main job on open recordings as they are, without any setting of their own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from palpate.evaluation.scoring import scored_windows
from palpate.io import open_session
from palpate.pipeline import explain_session
from palpate.results import SessionResult, SourceResult

pytest.importorskip("edfio", reason="the open recordings are EDF files")
pytest.importorskip("wfdb", reason="the open recordings are WFDB records")


def explained(data_dir: Path, folder: str, name: str, layout: str) -> SessionResult:
    path = data_dir / "datasets" / folder / name
    if not path.exists():
        pytest.skip(f"{folder}/{name} is not among the recordings below PALPATE_DATA")
    return explain_session(open_session(path, layout=layout))


def source(result: SessionResult, name: str) -> SourceResult:
    return next(s for s in result.sources if s.source == name)


@pytest.mark.parametrize(
    "name",
    [
        "s2_high_resistance_bike",
        "s2_low_resistance_bike",
        "s2_walk",
        "s3_high_resistance_bike",
        "s3_low_resistance_bike",
        "s3_run",
        "s3_walk",
        "s4_run",
        "s5_low_resistance_bike",
        "s5_run",
    ],
)
def test_wrist_ppg_during_exercise_jarchi_and_casson_2017(data_dir: Path, name: str) -> None:
    result = explained(data_dir, "wrist_ppg_exercise", f"{name}.edf", "wrist_ppg_exercise")
    assert result.windows["trusted"].mean() > 0.4
    for found in result.sources:
        assert scored_windows(found.windows).any()
        outside = np.count_nonzero(found.windows["status"] == "outside")
        assert sum(found.causes.counts().values()) == outside


@pytest.mark.parametrize("name", ["s3_run", "s3_walk", "s5_run", "s2_high_resistance_bike"])
def test_arm_swing_that_the_plain_estimate_follows_is_named(data_dir: Path, name: str) -> None:
    # Seen by eye in the spectrograms: the estimate sits on the cadence or a multiple of it.
    result = explained(data_dir, "wrist_ppg_exercise", f"{name}.edf", "wrist_ppg_exercise")
    counts = source(result, "conventional").causes.counts()
    assert counts["cadence lock"] > 0.7 * sum(counts.values())


@pytest.mark.parametrize("number", range(1, 13))
def test_treadmill_recordings_of_zhang_pi_and_liu_2015(data_dir: Path, number: int) -> None:
    kind = "01" if number == 1 else "02"
    result = explained(
        data_dir, "ieee_spc2015", f"DATA_{number:02d}_TYPE{kind}.mat", "ieee_spc2015"
    )
    assert source(result, "robust").by_activity[-1].errors.mae_bpm < 2.0


@pytest.mark.parametrize("record", ["100", "114", "207"])
def test_the_ecg_half_on_records_of_mit_bih(data_dir: Path, record: str) -> None:
    result = explained(data_dir, "mitdb", f"{record}.hea", "wfdb_ecg")
    assert result.sources == ()
    assert len(result.windows) == 899  # 8-s windows every 2 s in 30 min 5.6 s
