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


@pytest.mark.parametrize(
    "suffixes", [("_ppg", "_acc", "_hr"), (" light", " motion", " heart rate"), ("-HR", "-PPG", "")]
)
def test_files_of_one_device_for_each_sensor_are_one_recording(tmp_path, suffixes):
    for device in ("alder", "birch"):
        for suffix, columns in zip(suffixes, ("green", "acc_x", "bpm"), strict=True):
            rows = "".join(f"{k / 50},{60 + k}\n" for k in range(99))
            (tmp_path / f"{device}{suffix}.csv").write_text(f"time_s,{columns}\n{rows}", "utf-8")
    path = tmp_path / "draft.toml"
    path.write_text(draft_sheet(*sorted(tmp_path.glob("*.csv")), folder=tmp_path), encoding="utf-8")
    alder, birch = load_session(read_sheet(path)).recordings
    assert (alder.name, birch.name) == ("alder", "birch")
    for recording in (alder, birch):
        assert {w.name for w in recording.waveforms} == {"ppg", "acc"}
        assert len(recording.rates) == 1


def test_files_that_name_a_sensor_alone_are_of_their_folder(tmp_path):
    for name in ("left/ppg", "left/acc", "right/ppg", "right/alder_ppg", "left/alder_ppg"):
        path = tmp_path / f"{name}.csv"
        path.parent.mkdir(exist_ok=True)
        rows = "".join(f"{k / 50},{k}\n" for k in range(99))
        path.write_text(f"time_s,{path.stem}\n{rows}", encoding="utf-8")
    files = [*sorted(tmp_path.glob("left/*")), *sorted(tmp_path.glob("right/*"))]
    path = tmp_path / "draft.toml"
    path.write_text(draft_sheet(*files, folder=tmp_path), encoding="utf-8")
    recordings = load_session(read_sheet(path)).recordings
    assert [r.name for r in recordings] == ["left", "alder", "alder 2", "right"]
    assert {w.name for w in recordings[0].waveforms} == {"ppg", "acc"}


def test_a_device_whose_name_goes_on_is_another(tmp_path):
    for name in ("s1_ppg", "s10_ppg"):
        rows = "".join(f"{k / 50},{k}\n" for k in range(99))
        (tmp_path / f"{name}.csv").write_text(f"time_s,green\n{rows}", encoding="utf-8")
    path = tmp_path / "draft.toml"
    path.write_text(draft_sheet(*sorted(tmp_path.glob("*.csv")), folder=tmp_path), encoding="utf-8")
    assert [r.name for r in load_session(read_sheet(path)).recordings] == ["s10", "s1"]


@pytest.mark.parametrize(("column", "unit"), [("acc_x_mg", "mg"), ("acc_x_g", "g"), ("acc_x", "g")])
def test_a_unit_that_stands_in_the_names_is_proposed(tmp_path, column, unit):
    path = tmp_path / "alder.csv"
    rows = "".join(f"{k / 50},{k}\n" for k in range(99))
    path.write_text(f"time_s,{column}\n{rows}", encoding="utf-8")
    assert f'# unit = "{unit}" ' in draft_sheet(path)
