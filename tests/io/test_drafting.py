import pytest

from palpate.io import draft_sheet, load_session, read_sheet
from palpate.io.drafting import guessed_role


def saved(tmp_path, path):
    sheet = tmp_path / "drafts" / "draft.toml"
    sheet.parent.mkdir(exist_ok=True)
    sheet.write_text(draft_sheet(path, folder=sheet.parent), encoding="utf-8")
    return read_sheet(sheet)


@pytest.mark.parametrize(
    ("name", "unit", "role"),
    [
        ("MLII", "mV", "ecg"),
        ("V5", "mV", "ecg"),
        ("chest_ecg", "", "ecg"),
        ("ppg_green", "", "ppg"),
        ("IR", "", "ppg"),
        ("infrared", "", "ppg"),
        ("accel_x", "", "acc"),
        ("wrist_low_noise_", "m/s2", "acc"),
        ("gyro_z", "", "gyro"),
        ("omega", "deg/s", "gyro"),
        ("hr_bpm", "", "heart_rate"),
        ("Heart Rate", "", "heart_rate"),
        ("temperature", "degC", None),
        ("stirred", "", None),
        ("three", "", None),
    ],
)
def test_roles_are_guessed_from_unit_and_name(name, unit, role):
    assert guessed_role(name, unit) == role


def test_a_drafted_sheet_loads(tmp_path, edf_file, csv_file, wfdb_file):
    (recording,) = load_session(saved(tmp_path, edf_file)).recordings
    assert [(w.name, w.values.shape[1]) for w in recording.waveforms] == [("ecg", 1), ("acc", 3)]
    (recording,) = load_session(saved(tmp_path, csv_file)).recordings
    assert [(w.name, w.unit) for w in recording.waveforms] == [("ppg", "a.u."), ("acc", "g")]
    (recording,) = load_session(saved(tmp_path, wfdb_file)).recordings
    assert recording.waveforms[0].labels == ("MLII", "V5")


def test_a_matrix_asks_for_rate_and_roles(tmp_path, mat_file):
    draft = draft_sheet(mat_file, folder=tmp_path)
    assert "# rate_hz = 100              # fill in: the file does not say" in draft
    (channel,) = saved(tmp_path, mat_file).recordings[0].channels
    assert (channel.role, channel.select) == ("other", (0, 1, 2, 3, 4, 5))
    assert "--layout NAME, with one of ieee_spc2015" in draft


def test_awkward_names_stay_valid_toml(tmp_path):
    path = tmp_path / 'a "quoted" n\\ame.csv'
    path.write_text('t,"ppg ""left""",note\n0,1,2\n1,2,3\n')
    sheet = saved(tmp_path, path)
    assert sheet.title == 'a "quoted" n\\ame'
    assert sheet.recordings[0].channels[0].select == ('ppg "left"',)
    load_session(sheet)


def test_every_shared_recording_drafts_and_loads(data_dir, tmp_path):
    for file in sorted((data_dir / "datasets" / "wrist_ppg_exercise").glob("*.edf")):
        (recording,) = load_session(saved(tmp_path, file)).recordings
        assert [w.name for w in recording.waveforms] == ["ecg", "ppg", "gyro", "acc", "acc 2"]
