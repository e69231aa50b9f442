import json
import tomllib

import numpy as np
import pytest

from palpate.signals import Role
from palpate.simulation import write_session


@pytest.fixture(scope="module")
def folder(evening, tmp_path_factory):
    pytest.importorskip("edfio", reason="the chest ECG is written as EDF")
    return write_session(evening, tmp_path_factory.mktemp("evening")).parent


def test_sheet_names_every_file_and_the_stated_clocks(evening, folder):
    sheet = tomllib.loads((folder / "session.toml").read_text())
    assert sheet["schema"] == 1
    for entry, recording in zip(sheet["recording"], evening.session.recordings, strict=True):
        assert (folder / entry["file"]).is_file()
        assert entry["clock_offset_s"] == recording.clock_offset_s
        for channel in entry["channel"]:
            assert (folder / channel.get("file", entry["file"])).is_file()
    assert [a["name"] for a in sheet["activity"]] == [a.name for a in evening.session.activities]


def test_edf_holds_the_ecg_to_16_bits(evening, folder):
    edfio = pytest.importorskip("edfio", reason="the chest ECG is written as EDF")
    edf = edfio.read_edf(folder / "chest.edf")
    (ecg,) = evening.session.recordings[0].of_role(Role.ECG)
    assert [signal.label for signal in edf.signals] == list(ecg.labels)
    for signal, column in zip(edf.signals, ecg.values.T, strict=True):
        assert signal.sampling_frequency == ecg.fs_hz
        step_mv = (signal.physical_max - signal.physical_min) / 65535
        np.testing.assert_allclose(signal.data, column, atol=step_mv)


@pytest.mark.parametrize("name", ["alder", "birch"])
def test_band_table_holds_its_waveforms(evening, folder, name):
    recording = next(r for r in evening.session.recordings if r.name.lower() == name)
    table = np.genfromtxt(folder / f"{name}.csv", delimiter=",", names=True)
    np.testing.assert_allclose(table["time_s"], recording.waveforms[0].times_s(), atol=1e-6)
    columns = np.column_stack([w.values for w in recording.waveforms])
    written = np.column_stack([table[c] for c in table.dtype.names[1:]])
    np.testing.assert_allclose(written, columns, atol=0.0051)
    hr = np.genfromtxt(folder / f"{name}_hr.csv", delimiter=",", names=True)
    np.testing.assert_array_equal(hr["hr_bpm"], recording.rates[0].hr_bpm)


def test_truth_files_agree_with_the_truth(evening, folder):
    truth = json.loads((folder / "truth.json").read_text())
    assert len(truth["faults"]) == len(evening.truth.faults)
    for written, fault in zip(truth["faults"], evening.truth.faults, strict=True):
        assert (written["cause"], written["dose"]) == (fault.cause, fault.dose)
    beats = np.genfromtxt(folder / "truth_beats.csv", delimiter=",", names=True, dtype=None)
    np.testing.assert_allclose(beats["beat_s"], evening.truth.beats.time_s, atol=1e-4)
    rates = np.genfromtxt(folder / "truth_hr.csv", delimiter=",", names=True)
    np.testing.assert_allclose(rates["hr_bpm"], evening.truth.hr_bpm, atol=1e-3)


def test_what_is_loaded_from_the_files_is_what_was_simulated(evening, folder):
    """The files hold the session to the last digit that they print."""
    pytest.importorskip("h5py", reason="the readers' room imports its store")
    from palpate.io import load_session, read_sheet

    loaded = load_session(read_sheet(folder / "session.toml"))
    assert loaded.title == evening.session.title
    assert loaded.activities == evening.session.activities
    for read, made in zip(loaded.recordings, evening.session.recordings, strict=True):
        assert (read.name, read.device, read.firmware) == (made.name, made.device, made.firmware)
        assert read.clock_offset_s == made.clock_offset_s
        for one, other in zip(read.waveforms, made.waveforms, strict=True):
            assert (one.role, one.unit, one.fs_hz) == (other.role, other.unit, other.fs_hz)
            assert (one.labels, one.wavelength_nm) == (other.labels, other.wavelength_nm)
            np.testing.assert_allclose(one.values, other.values, atol=0.0051)
        for one, other in zip(read.rates, made.rates, strict=True):
            np.testing.assert_array_equal(one.hr_bpm, other.hr_bpm)
            np.testing.assert_array_equal(one.start_s, other.start_s)
