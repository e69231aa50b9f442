import hashlib

import numpy as np
import pytest
from scipy import io as scipy_io

from palpate.io import describe, draft_sheet, loading, open_session, read_recording, read_sheet
from palpate.io.heart_rate_series import NO_VALUE
from palpate.signals import Role
from palpate.validation import InputError

CHEST = (
    "[[recording]]", 'name = "chest"', 'file = "alder.edf"',
    "[[recording.channel]]", 'role = "ecg"', 'select = ["ECG"]',
)  # fmt: skip


def band(*lines, file="birch.csv", select='["green"]', role="ppg"):
    return (
        "[[recording]]", 'name = "birch"', f'file = "{file}"', *lines,
        "[[recording.channel]]", f'role = "{role}"', f"select = {select}",
    )  # fmt: skip


def test_channels_keep_unit_role_placement_and_wavelength(csv_file, write_sheet):
    sheet = write_sheet(
        *band('placement = "right wrist"', 'device = "Birch"'),
        'unit = "counts"', "wavelength_nm = 525",
        "[[recording.channel]]", 'role = "acc"', "select = [3, 2]", 'labels = ["y", "x"]',
        'placement = "upper arm"',
    )  # fmt: skip
    (recording,) = open_session(sheet).recordings
    light, acc = recording.waveforms
    assert (light.role, light.unit, light.wavelength_nm) == (Role.PPG, "counts", (525.0,))
    assert (light.placement, acc.placement) == ("right wrist", "upper arm")
    assert (acc.unit, acc.labels) == ("g", ("y", "x"))
    np.testing.assert_allclose(acc.values[:, 0], -np.arange(200) / 1000)
    assert recording.device == "Birch"
    assert recording.sources[0].sha256 == hashlib.sha256(csv_file.read_bytes()).hexdigest()


def test_the_sheets_unit_beats_the_files(edf_file, write_sheet):
    session = open_session(write_sheet(*CHEST, 'unit = "µV"'))
    assert session.recordings[0].waveforms[0].unit == "uV"
    session = open_session(write_sheet(*CHEST))
    assert session.recordings[0].waveforms[0].unit == "mV"


def test_each_file_is_opened_and_hashed_once(edf_file, csv_file, write_sheet, monkeypatch):
    hashed, opened = [], []
    real_hash, real_open = loading.sha256_of, loading.open_raw
    monkeypatch.setattr(loading, "sha256_of", lambda p: hashed.append(p.name) or real_hash(p))
    monkeypatch.setattr(
        loading, "open_raw", lambda s, say: opened.append(s.file.name) or real_open(s, say=say)
    )
    sheet = write_sheet(
        *CHEST, *band("clock_offset_s = 0"),
        "[[recording.channel]]", 'role = "acc"', "select = [2, 3]",
        "[[recording]]", 'name = "again"', 'file = "birch.csv"', "clock_offset_s = 0",
        "[[recording.channel]]", 'role = "ppg"', "select = [1]",
    )  # fmt: skip
    open_session(sheet)
    assert hashed == ["alder.edf", "birch.csv"]
    assert opened == ["alder.edf", "birch.csv", "birch.csv"]


def test_stated_clock_is_known_and_an_open_one_is_not(edf_file, csv_file, write_sheet):
    stated = open_session(write_sheet(*CHEST, *band("clock_offset_s = 4", "clock_drift_ppm = 10")))
    chest, wrist = stated.recordings
    assert (chest.clock_offset_s, chest.clock_known) == (0.0, True)
    assert (wrist.clock_offset_s, wrist.clock_drift_ppm, wrist.clock_known) == (4.0, 10.0, True)
    chest, wrist = open_session(write_sheet(*CHEST, *band())).recordings
    assert (wrist.clock_offset_s, wrist.clock_known) == (0.0, False)


def test_start_times_place_an_open_clock(edf_file, tmp_path, write_sheet):
    rows = ["time,green"] + [f"2025-03-01T18:30:{k:02d},{k}" for k in range(7, 13)]
    (tmp_path / "birch.csv").write_text("\n".join(rows))
    chest, wrist = open_session(write_sheet(*CHEST, *band())).recordings
    assert chest.start_time.isoformat() == "2025-03-01T18:30:05"
    assert (wrist.clock_offset_s, wrist.clock_known) == (2.0, False)
    first = [line for line in CHEST if "file" not in line]
    first.insert(2, 'file = "alder.edf"\nclock_offset_s = 100')
    chest, wrist = open_session(write_sheet(*first, *band())).recordings
    assert wrist.clock_offset_s == 102.0


def test_a_zone_and_no_zone_are_not_compared(edf_file, tmp_path, write_sheet):
    rows = ["time,green"] + [f"2025-03-01T18:30:{k:02d}Z,{k}" for k in range(7, 13)]
    (tmp_path / "birch.csv").write_text("\n".join(rows))
    _, wrist = open_session(write_sheet(*CHEST, *band())).recordings
    assert (wrist.clock_offset_s, wrist.clock_known) == (0.0, False)


def test_files_of_one_recording_share_its_clock(tmp_path, write_sheet):
    for name, first in (("light", 5), ("motion", 2)):
        rows = ["time,x"] + [f"2025-03-01T18:30:{first + k:02d}Z,{k}" for k in range(9)]
        (tmp_path / f"{name}.csv").write_text("\n".join(rows))
    sheet = write_sheet(
        "[[recording]]", 'name = "birch"',
        "[[recording.channel]]", 'role = "ppg"', 'file = "light.csv"',
        "[[recording.channel]]", 'role = "acc"', 'file = "motion.csv"',
    )  # fmt: skip
    (recording,) = open_session(sheet).recordings
    assert [(w.name, w.start_s) for w in recording.waveforms] == [("ppg", 3.0), ("acc", 0.0)]
    assert recording.start_time.second == 2


def test_heart_rate_series_keeps_times_gaps_and_no_value(tmp_path, write_sheet):
    rows = "t,bpm\n0,61\n1,0\n2,62\n2,63\n7,\n8,64\n9,-1\n"
    (tmp_path / "birch.csv").write_text(rows)
    sheet = write_sheet(*band(role="heart_rate", select='["bpm"]'))
    (rate,) = open_session(sheet).recordings[0].rates
    assert rate.start_s.tolist() == [0.0, 1.0, 2.0, 7.0, 8.0, 9.0]
    assert rate.end_s.tolist() == [1.0, 2.0, 3.5, 8.0, 9.0, 10.0]
    np.testing.assert_array_equal(rate.hr_bpm, [61, np.nan, 63, np.nan, 64, np.nan])
    assert rate.reason.tolist() == [
        "",
        NO_VALUE,
        "",
        NO_VALUE,
        "",
        NO_VALUE,
    ]
    assert rate.n_undefined == 3


def test_heart_rate_of_a_uniform_file(mat_file, write_sheet):
    matrix = 70.0 + scipy_io.loadmat(mat_file)["sig"]
    scipy_io.savemat(mat_file, {"sig": matrix})
    sheet = write_sheet(*band("rate_hz = 0.5", file="run.mat", role="heart_rate", select="[5]"))
    (rate,) = open_session(sheet).recordings[0].rates
    assert rate.start_s[:3].tolist() == [0.0, 2.0, 4.0]
    assert rate.hr_bpm[1] == 75.001


def test_a_missing_file_is_told_with_its_recording(write_sheet):
    with pytest.raises(InputError, match=r"recording 'birch': .*gone\.csv does not exist; check"):
        open_session(write_sheet(*band(file="gone.csv")))


def test_read_recording_takes_the_given_file(csv_file, write_sheet, tmp_path):
    moved = csv_file.rename(tmp_path / "other.csv")
    spec = read_sheet(write_sheet(*band())).recordings[0]
    recording = read_recording(moved, spec)
    assert recording.sources[0].name == "other.csv"
    assert recording.clock_known


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (band(select='["gren"]'), "has no channel 'gren'; did you mean 'green'"),
        (band(select="[9]"), "has channels 0 to 3; channel 'ppg' selects 9: correct"),
        (
            (*band()[:3], "[[recording.channel]]", 'role = "ppg"'),
            r"has 3 channels; say which are 'ppg' by select = \[...\]; there are 1 'green', 2",
        ),
        ((*band(), 'labels = ["a", "b"]'), "has 1 column but 2 labels"),
        ((*band(), "wavelength_nm = [1e3, 600]"), "has 1 column but 2 values of wavelength_nm"),
        (band(select='["green", "acc_x"]'), "joins columns in no unit and g; split it"),
        (band("rate_hz = 25", 'time = "time_s"'), "runs at 50 Hz but the sheet says rate_hz = 25"),
        (
            (*band(), "[[activity]]", 'name = "rest"', "start_s = 0", "end_s = 60"),
            "activity 'rest' covers 0 to 60 s but the recordings cover 0 to 4 s",
        ),
        (band(role="heart_rate", select='["acc_y"]'), "holds no heart rate above zero"),
        (band(role="heart_rate", select="[1, 2]"), "selects 2 columns; a heart rate is one"),
    ],
)
def test_what_does_not_fit_the_file_is_explained(csv_file, write_sheet, lines, message):
    with pytest.raises(InputError, match=message):
        open_session(write_sheet(*lines))


def test_columns_of_two_rates_are_refused(edf_file, write_sheet):
    sheet = write_sheet(*CHEST[:5], 'select = ["ECG", "acc x"]')
    with pytest.raises(InputError, match="'ECG' has 100 Hz and 'acc x' 50 Hz; give each rate its"):
        open_session(sheet)


def test_repeated_names_ask_for_positions(tmp_path, write_sheet):
    (tmp_path / "birch.csv").write_text("t,acc,acc\n0,1,2\n1,3,4\n")
    with pytest.raises(
        InputError, match="2 channels named 'acc'; select one by its position: 1, 2"
    ):
        open_session(write_sheet(*band(select='["acc"]')))


def test_recordings_that_never_meet_are_refused(edf_file, csv_file, write_sheet):
    with pytest.raises(
        InputError, match=r"recording 'chest' covers 0 to 10 s and overlaps no other .*\(the near"
    ):
        open_session(write_sheet(*CHEST, *band("clock_offset_s = 3600")))


def test_recordings_that_never_meet_may_be_read_to_find_their_clocks(
    edf_file, csv_file, write_sheet
):
    sheet = write_sheet(*CHEST, *band("clock_offset_s = 3600"))
    assert open_session(sheet, apart=True).recordings[1].clock_offset_s == 3600.0
    assert "chest" in str(describe(sheet))


@pytest.mark.parametrize("select", ['"all"', "[]", '["green"]'])
def test_a_file_of_times_alone_is_refused(tmp_path, write_sheet, select):
    (tmp_path / "birch.csv").write_text("time\n0\n1\n2\n")
    with pytest.raises(InputError, match=r"birch\.csv holds times and nothing else; export it"):
        open_session(write_sheet(*band(select=select)))


ELAPSED = ("0", "1")
LOCAL = ("2026-05-03T18:00:40", "2026-05-03T18:00:41")
DAYTIME = ("18:00:40", "18:00:41")
ZONED = ("2026-05-03T18:00:00Z", "2026-05-03T18:00:01Z")


@pytest.mark.parametrize(
    ("light", "rate", "told"),
    [
        (ELAPSED, ELAPSED, False),
        (LOCAL, LOCAL, False),
        (DAYTIME, DAYTIME, False),
        (DAYTIME, LOCAL, True),
        (ELAPSED, LOCAL, True),
        (ZONED, LOCAL, True),
    ],
)
def test_files_of_one_device_on_unrelated_clocks_are_told(tmp_path, write_sheet, light, rate, told):
    for name, stamps in (("birch", light), ("rate", rate)):
        rows = "".join(f"{stamp},7{i}\n" for i, stamp in enumerate(stamps))
        (tmp_path / f"{name}.csv").write_text(f"time,green\n{rows}")
    sheet = write_sheet(
        *band(), "[[recording.channel]]", 'role = "heart_rate"', 'file = "rate.csv"'
    )
    said = []
    open_session(sheet, say=said.append)
    assert len([line for line in said if "laid on each other at second 0 (birch" in line]) == told


@pytest.mark.parametrize(
    ("light", "rate", "late_s"),
    [
        ("18:00:00", "18:00:40", 40.0),
        ("23:59:50", "00:00:10", 20.0),
        ("00:00:10", "23:59:50", -20.0),
    ],
)
def test_files_of_one_device_are_related_by_the_time_of_day(
    tmp_path, write_sheet, light, rate, late_s
):
    for name, stamp in (("birch", light), ("rate", rate)):
        after = f"{stamp}.5"
        (tmp_path / f"{name}.csv").write_text(f"time,green\n{stamp},70\n{after},71\n")
    sheet = write_sheet(
        *band(), "[[recording.channel]]", 'role = "heart_rate"', 'file = "rate.csv"'
    )
    (birch,) = open_session(sheet).recordings
    starts_s = birch.waveforms[0].start_s, birch.rates[0].start_s[0]
    assert starts_s[1] - starts_s[0] == late_s
    assert "0001" not in str(describe(sheet)) + str(describe(tmp_path / "rate.csv"))


def test_all_selects_every_signal_but_the_time(csv_file, write_sheet):
    session = open_session(write_sheet(*band(select='"all"', role="other"), 'unit = "a.u."'))
    assert session.recordings[0].waveforms[0].labels == ("green", "acc_x", "acc_y")


def test_what_is_not_finite_is_missing(tmp_path, write_sheet):
    (tmp_path / "birch.csv").write_text("t,green\n0,1\n1,inf\n2,-inf\n3,nan\n4,5\n")
    values = open_session(write_sheet(*band())).recordings[0].waveforms[0].values
    np.testing.assert_array_equal(values[:, 0], [1, np.nan, np.nan, np.nan, 5])


def test_a_rate_among_faster_rows_is_read_where_it_stands(tmp_path, write_sheet):
    rows = ["t,green,bpm"]
    rows += [f"{k / 50},{k},{60 + k // 50 if k % 50 == 0 and k != 100 else ''}" for k in range(500)]
    (tmp_path / "birch.csv").write_text("\n".join(rows))
    sheet = write_sheet(*band(role="heart_rate", select='["bpm"]'))
    (rate,) = open_session(sheet).recordings[0].rates
    assert rate.start_s.tolist() == [0.0, 1.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0]
    assert rate.end_s.tolist() == [1.0, 2.5, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0]
    assert rate.hr_bpm.tolist() == [60.0, 61.0, 63.0, 64.0, 65.0, 66.0, 67.0, 68.0, 69.0]


GPX = """<?xml version="1.0"?>
<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{}</trkseg></trk></gpx>
"""
POINT = (
    '<trkpt lat="0" lon="0"><time>2025-03-01T18:30:{:02d}Z</time>'
    "<extensions><hr>{}</hr></extensions></trkpt>"
)


def test_an_activity_file_is_a_heart_rate_source(tmp_path, write_sheet):
    track = "".join(POINT.format(5 + k, 70 + k) for k in range(8))
    (tmp_path / "birch.gpx").write_text(GPX.format(track))
    sheet = write_sheet(
        "[[recording]]", 'name = "birch"', 'file = "birch.gpx"',
        "[[recording.channel]]", 'role = "heart_rate"',
    )  # fmt: skip
    (recording,) = open_session(sheet).recordings
    assert recording.rates[0].hr_bpm.tolist() == [70.0 + k for k in range(8)]
    assert recording.start_time.isoformat() == "2025-03-01T18:30:05+00:00"
    (listed,) = describe(tmp_path / "birch.gpx").channels
    assert (listed.role, listed.fs_hz, listed.n_samples) == ("heart_rate", 1.0, 8)
    drafted = tmp_path / "draft.toml"
    drafted.write_text(draft_sheet(tmp_path / "birch.gpx", folder=tmp_path))
    assert len(open_session(drafted).recordings[0].rates[0]) == 8


def test_summer_time_that_ends_is_taken_out_and_told(tmp_path, write_sheet):
    stamps = [f"2025-10-26T02:59:{s}" for s in range(50, 60)]
    stamps += [f"2025-10-26T02:00:0{s}" for s in range(10)]
    rows = ["time,bpm"] + [f"{stamp},{60 + k}" for k, stamp in enumerate(stamps)]
    (tmp_path / "birch.csv").write_text("\n".join(rows))
    said = []
    sheet = write_sheet(*band(role="heart_rate", select='["bpm"]'))
    (rate,) = open_session(sheet, say=said.append).recordings[0].rates
    np.testing.assert_array_equal(rate.start_s, np.arange(20.0))
    assert any("summer time" in line for line in said)


def test_the_time_column_is_no_signal(csv_file, write_sheet):
    with pytest.raises(
        InputError, match=r"'time_s' is the time column; select one of 1 'green', 2 "
    ):
        open_session(write_sheet(*band(select="[0]")))
    with pytest.raises(
        InputError, match=r"has 3 channels; .* there are 1 'green', 2 'acc_x', 3 'acc_y'"
    ):
        open_session(write_sheet(*band(select="[]")))


def test_a_rate_that_hides_a_time_column_is_told(csv_file, write_sheet):
    told = []
    open_session(write_sheet(*band("rate_hz = 50")), say=told.append)
    assert any("50 Hz as the sheet says, so column 'time_s' is not read" in line for line in told)


def test_a_heart_rate_of_its_own_file_keeps_its_own_times(csv_file, tmp_path, write_sheet):
    (tmp_path / "rate.csv").write_text("time_s,bpm\n0,70\n5,72\n10,74\n", "utf-8")
    sheet = write_sheet(
        *band("rate_hz = 100"),
        "[[recording.channel]]", 'role = "heart_rate"', 'file = "rate.csv"',
    )  # fmt: skip
    (recording,) = open_session(sheet).recordings
    np.testing.assert_array_equal(recording.rates[0].start_s, [0, 5, 10])
