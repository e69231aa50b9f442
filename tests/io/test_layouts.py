from pathlib import Path

import numpy as np
import pytest

from palpate.io import apply_layout, layout_names, load_session, open_session
from palpate.signals import Role
from palpate.validation import InputError


def test_layouts_ship_and_parse(tmp_path):
    assert layout_names() == ("ieee_spc2015", "wfdb_ecg", "wrist_ppg_exercise")
    for name, suffix in zip(layout_names(), (".mat", ".hea", ".edf"), strict=True):
        file = tmp_path / f"run_7{suffix}"
        file.write_bytes(b"x")
        sheet = apply_layout(file, name)
        assert sheet.title == "run_7"
        assert {c.source.file for r in sheet.recordings for c in r.channels} == {file}


def test_a_layout_of_ones_own(csv_file, write_sheet):
    own = write_sheet(
        "[[recording]]", 'name = "{stem}"', 'file = "{file}"',
        "[[recording.channel]]", 'role = "acc"', 'select = ["acc_x", "acc_y"]',
        name="own.toml",
    )  # fmt: skip
    session = open_session(csv_file, own)
    assert session.title == "birch"
    assert session.recordings[0].name == "birch"
    assert session.recordings[0].waveforms[0].unit == "g"


def test_a_layout_refuses_files_of_another_kind(csv_file):
    with pytest.raises(InputError, match=r"wrist_ppg_exercise is for files that end in \.edf, not"):
        open_session(csv_file, "wrist_ppg_exercise")


def test_a_sheet_of_ones_own_that_reads_text_as_a_matrix_is_refused(csv_file, write_sheet):
    own = write_sheet(
        "[[recording]]", 'name = "{stem}"', 'file = "{file}"', 'variable = "sig"',
        "[[recording.channel]]", 'role = "acc"',
        name="own.toml",
    )  # fmt: skip
    with pytest.raises(InputError, match="is no MATLAB file"):
        open_session(csv_file, own)


def test_an_unknown_layout_gets_a_suggestion(csv_file):
    with pytest.raises(InputError, match="no layout 'wfdb_egc'; did you mean 'wfdb_ecg'"):
        apply_layout(csv_file, "wfdb_egc")
    with pytest.raises(InputError, match="does not exist"):
        apply_layout(csv_file, "none.toml")


def test_a_raw_file_without_layout_says_how(csv_file):
    with pytest.raises(
        InputError, match=r"palpate sheet .*explain and pack .*--layout with one of ieee_spc2015"
    ):
        open_session(csv_file)


def test_a_sheet_needs_no_layout(write_sheet):
    with pytest.raises(InputError, match="leave out the layout"):
        open_session(write_sheet(), "wfdb_ecg")


def files_of(data_dir: Path, folder: str, pattern: str) -> list[Path]:
    files = sorted((data_dir / "datasets" / folder).glob(pattern))
    assert files
    return files


def test_every_wrist_recording_loads(data_dir):
    for file in files_of(data_dir, "wrist_ppg_exercise", "*.edf"):
        (recording,) = open_session(file, "wrist_ppg_exercise").recordings
        ecg, ppg, acc, gyro = recording.waveforms
        assert [w.role for w in recording.waveforms] == [Role.ECG, Role.PPG, Role.ACC, Role.GYRO]
        assert {w.fs_hz for w in recording.waveforms} == {256.0}
        assert len({w.values.shape[0] for w in recording.waveforms}) == 1
        last_mark = file.with_suffix(".qrs.txt").read_text().splitlines()[-1]
        assert int(last_mark.split()[1]) < ecg.values.shape[0]
        assert ppg.unit == "a.u."
        if "run" not in file.stem:  # the unit that the layout declares: a wrist feels gravity
            felt = np.nanmedian(np.linalg.norm(acc.values, axis=1))
            assert felt == pytest.approx(9.81, rel=0.15)
        assert gyro.unit == "deg/s"
        assert recording.sources[0].name == file.name


def test_every_treadmill_recording_loads(data_dir):
    for file in files_of(data_dir, "ieee_spc2015", "DATA_*_TYPE0?.mat"):
        (recording,) = open_session(file, "ieee_spc2015").recordings
        assert [w.values.shape[1] for w in recording.waveforms] == [1, 2, 3]
        assert {w.fs_hz for w in recording.waveforms} == {125.0}


def test_every_annotated_record_loads(data_dir):
    names = (data_dir / "datasets" / "mitdb" / "RECORDS").read_text().split()
    assert names
    for name in names:
        sheet = apply_layout(data_dir / "datasets" / "mitdb" / name, "wfdb_ecg")
        (recording,) = load_session(sheet).recordings
        (ecg,) = recording.waveforms
        assert ecg.values.shape == (650_000, 2)
        assert (ecg.fs_hz, ecg.unit) == (360.0, "mV")
        assert len(recording.sources) == 2


def test_a_folder_is_named_as_one(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is a folder"):
        open_session(tmp_path)
