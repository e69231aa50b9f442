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


def test_files_become_recordings_and_a_rate_file_joins_its_device(
    tmp_path, edf_file, csv_file, mat_file
):
    rate = csv_file.with_name("birch_hr.csv")
    rate.write_text("time_s,hr_bpm\n" + "".join(f"{k},{70 + k}\n" for k in range(5)), "utf-8")
    light = csv_file.with_name("birch_light.csv")
    light.write_text("time_s,red,ir\n" + "".join(f"{k / 50},{k},{k}\n" for k in range(99)), "utf-8")
    path = tmp_path / "draft.toml"
    files = (edf_file, csv_file, rate, light)
    path.write_text(draft_sheet(*files, folder=tmp_path), encoding="utf-8")
    text = path.read_text(encoding="utf-8")
    assert "# wavelength_nm = [660, 940]" in text
    alder, birch = load_session(read_sheet(path)).recordings
    assert (alder.name, birch.name) == ("alder", "birch")
    assert [w.name for w in birch.waveforms] == ["ppg", "acc", "ppg 2"]
    assert birch.rates[0].hr_bpm.tolist() == [70, 71, 72, 73, 74]
    assert {source.name for source in birch.sources} == {"birch.csv", rate.name, light.name}
