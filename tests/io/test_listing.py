import hashlib

import numpy as np
import pytest

from palpate.io import describe, write_store
from palpate.io.store import StoredTable
from palpate.validation import InputError


def test_counts_that_a_hand_can_check(tmp_path):
    """Ten instants a second; samples 3 and 6, 7 missing; a rail at 50 held for 4 samples."""
    x = [0, 1, 2, "", 40, 41, "", "", 42, 43, 50, 50, 50, 50, 3, 2, 1, 0, -1, -2]
    path = tmp_path / "a.csv"
    path.write_text("t,x [g]\n" + "".join(f"{k / 10},{v}\n" for k, v in enumerate(x)))
    listing = describe(path)
    (channel,) = listing.channels
    assert (channel.name, channel.unit, channel.position) == ("x", "g", 1)
    assert (channel.fs_hz, channel.n_samples, channel.duration_s) == (10.0, 20, 2.0)
    assert channel.n_gaps == 2
    assert channel.missing_share == pytest.approx(3 / 20)
    assert channel.clipped_share == pytest.approx(4 / 17)
    assert (channel.smallest, channel.largest) == (-2.0, 50.0)
    assert listing.sources[0].sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_every_raw_format_is_listed(edf_file, wfdb_file, mat_file, csv_file):
    assert [c.fs_hz for c in describe(edf_file).channels] == [100.0, 50.0, 50.0, 50.0]
    wfdb = describe(wfdb_file)
    assert [c.name for c in wfdb.channels] == ["MLII", "V5"]
    assert wfdb.channels[1].n_gaps == 1
    assert [s.name for s in wfdb.sources] == ["hut.hea", "hut.dat"]
    matrix = describe(mat_file)
    assert len(matrix.channels) == 6
    assert np.isnan(matrix.channels[0].fs_hz)
    assert np.isnan(matrix.channels[0].duration_s)
    assert [c.name for c in describe(csv_file).channels] == ["green", "acc_x", "acc_y"]


def test_words_are_left_out_and_told(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("t,x,note\n0,1,start\n1,2,lift\n")
    said = []
    assert [c.name for c in describe(path, say=said.append).channels] == ["x"]
    assert any("left out" in line and "'note'" in line for line in said)
    path.write_text("t,note,more\n0,start,x\n1,lift,y\n")
    with pytest.raises(InputError, match="no channel of numbers"):
        describe(path)


def test_an_all_nan_channel_is_listed_as_such(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("t,x,y\n0,,1\n1,,2\n")
    channel = describe(path).channels[0]
    assert (channel.missing_share, channel.n_gaps) == (1.0, 1)
    assert np.isnan([channel.clipped_share, channel.smallest, channel.largest]).all()


def test_a_store_lists_recordings_activities_tables_and_sources(session, window_table, tmp_path):
    path = write_store(
        session, tmp_path / "s.h5", tables={"windows": StoredTable(window_table, {"step_s": 2.0})}
    )
    listing = describe(path)
    assert listing.kind == "store"
    names = [(c.recording, c.name, c.role) for c in listing.channels]
    assert names[0] == ("chest", "ecg", "ecg")
    assert ("Alder/left", "ppg: infrared", "ppg") in names
    assert names[-1] == ("Alder/left", "heart_rate", "heart_rate")
    infrared = listing.channels[2]
    assert (infrared.n_gaps, infrared.missing_share) == (1, 20 / 300)
    assert [a.name for a in listing.activities] == ["rest", "crate lifting"]
    (table,) = listing.tables
    assert (table.name, table.n_rows, table.parameters) == ("windows", 3, {"step_s": 2.0})
    assert [s.name for s in listing.sources] == ["alder.csv", "alder_hr.csv"]


def test_a_sheet_is_listed_as_what_it_loads(csv_file, write_sheet):
    sheet = write_sheet(
        "[[recording]]", 'name = "birch"', 'file = "birch.csv"',
        "[[recording.channel]]", 'role = "ppg"', 'select = ["green"]',
    )  # fmt: skip
    listing = describe(sheet)
    assert listing.kind == "session sheet"
    assert [(c.recording, c.name) for c in listing.channels] == [("birch", "ppg")]
