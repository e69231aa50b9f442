"""From WFDB files to scores and reports, on small records that are written here."""

from __future__ import annotations

import csv
import json
import multiprocessing
import sys

import numpy as np
import pytest

from palpate.cli import main
from palpate.detector_validation import Options, records_to_run, validate_detector
from palpate.evaluation.noise_stress import SNR_DB
from palpate.io.wfdb_annotations import annotated_records, read_annotations
from palpate.validation import InputError

wfdb = pytest.importorskip("wfdb", reason="writes and reads the records")

FS_HZ = 250
SECONDS = 40
QUICK = Options(learning_s=5.0)


def _write_record(folder, name, *, beats_s, symbols, seed, seconds=SECONDS):
    rng = np.random.default_rng(seed)
    beat = np.zeros(seconds * FS_HZ)
    beat[np.round(beats_s * FS_HZ).astype(int)] = 1.0
    pulse = np.exp(-0.5 * (np.arange(-25, 26) / (0.012 * FS_HZ)) ** 2)
    pulses = np.convolve(beat, pulse, mode="same")
    ecg = np.column_stack([pulses, -0.5 * pulses]) + rng.normal(0, 0.01, (beat.size, 2))
    wfdb.wrsamp(
        name,
        fs=FS_HZ,
        units=["mV", "mV"],
        sig_name=["MLII", "V5"],
        p_signal=ecg,
        fmt=["16", "16"],
        adc_gain=[1000.0, 1000.0],
        baseline=[0, 0],
        write_dir=str(folder),
    )
    wfdb.wrann(
        name,
        "atr",
        np.round(beats_s * FS_HZ).astype(int),
        symbol=symbols,
        write_dir=str(folder),
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("records")
    beats_s = np.arange(0.6, SECONDS - 0.5, 0.8)
    symbols = ["V" if i % 10 == 9 else "N" for i in range(beats_s.size)]
    _write_record(made, "ridge", beats_s=beats_s, symbols=symbols, seed=1)
    # The second record's annotator saw 3 beats more than there are.
    extra_s = np.sort(np.append(beats_s, [10.2, 20.6, 30.2]))
    _write_record(made, "valley", beats_s=beats_s, symbols=["N"] * beats_s.size, seed=2)
    wfdb.wrann(
        "valley",
        "atr",
        np.round(extra_s * FS_HZ).astype(int),
        symbol=["N"] * extra_s.size,
        write_dir=str(made),
    )
    rng = np.random.default_rng(3)
    wfdb.wrsamp(
        "gravel",
        fs=FS_HZ,
        units=["mV"],
        sig_name=["noise"],
        p_signal=rng.normal(0, 1, (SECONDS * FS_HZ, 1)).cumsum(axis=0) / 20,
        fmt=["16"],
        write_dir=str(made),
    )
    return made


@pytest.fixture(scope="module")
def six_minutes(tmp_path_factory):
    """A record that outlasts the five minutes before the noise begins."""
    made = tmp_path_factory.mktemp("six_minutes")
    beats_s = np.arange(0.6, 359.5, 0.8)
    _write_record(made, "col", beats_s=beats_s, symbols=["N"] * beats_s.size, seed=4, seconds=360)
    return made


def test_records_are_those_with_header_and_annotations(folder):
    assert annotated_records(folder) == ("ridge", "valley")


def test_a_list_of_records_gives_the_order(folder, tmp_path):
    (tmp_path / "RECORDS").write_text("b\na\nnoise\n")
    for name in ("a.hea", "a.atr", "b.hea", "b.atr", "noise.hea"):
        (tmp_path / name).touch()
    assert annotated_records(tmp_path) == ("b", "a")
    (tmp_path / "RECORDS").write_text("b\nmissing\n")
    with pytest.raises(InputError, match=r"missing\.hea does not exist"):
        list(validate_detector(tmp_path, QUICK, records=["missing"]))


def test_annotations_come_in_seconds_with_symbols(folder):
    columns = read_annotations(folder / "ridge", annotator="atr", fs_hz=FS_HZ)
    assert columns.time_s[:2] == pytest.approx([0.6, 1.4])
    assert set(columns.symbol) == {"N", "V"}


def test_scores_of_every_record(folder):
    ridge, valley = validate_detector(folder, QUICK)
    assert (ridge.record, ridge.lead, ridge.duration_s) == ("ridge", "MLII", SECONDS)
    assert ridge.score.ec57.statistics.qrs_f1.percent == 100.0
    assert ridge.worst == ()
    assert valley.score.ec57.statistics.qrs_sensitivity.denominator - 3 == (
        valley.score.ec57.statistics.qrs_sensitivity.numerator
    )
    assert sum(excerpt.stretch.n_missed for excerpt in valley.worst) == 3
    assert valley.worst[0].ecg.size == 10 * FS_HZ
    assert valley.worst[0].unit == "mV"
    assert ridge.runtime_s > 0


def test_workers_give_the_same_scores(folder):
    alone = list(validate_detector(folder, QUICK))
    together = list(validate_detector(folder, QUICK, workers=2))
    assert multiprocessing.active_children() == []
    assert [run.record for run in together] == ["ridge", "valley"]
    for one, other in zip(alone, together, strict=True):
        np.testing.assert_array_equal(one.score.ec57.counts, other.score.ec57.counts)


@pytest.mark.parametrize(("lead", "name"), [("0", "MLII"), ("1", "V5"), ("all", "MLII + V5")])
def test_leads(folder, lead, name):
    (run,) = validate_detector(folder, Options(learning_s=5.0, lead=lead), records=["ridge"])
    assert run.lead == name
    assert run.score.ec57.statistics.qrs_f1.percent == 100.0


def test_noise_stress_comes_after_the_clean_record_and_costs_beats(six_minutes):
    """EC57 begins to count where the noise begins, at 5 minutes."""
    options = Options(noise="generated:electrode", snr_db=(24.0, -6.0))
    clean, faint, loud = validate_detector(six_minutes, options)
    assert np.isnan(clean.snr_db)
    assert (faint.snr_db, loud.snr_db) == (24.0, -6.0)
    f1 = [run.score.ec57.statistics.qrs_f1.percent for run in (clean, faint, loud)]
    assert f1[0] == 100.0
    assert f1[2] < f1[1] - 5.0


def test_noise_from_a_record_of_another_rate_keeps_its_frequency(
    six_minutes, tmp_path, monkeypatch
):
    """A hum of 7 Hz, sampled at 100 Hz, is one of 7 Hz in an ECG of 250 Hz."""
    (tmp_path / "listening_detector.py").write_text(
        "heard = []\n\ndef detect(ecg, fs_hz):\n    heard.append(ecg)\n    return [100, 200]\n"
    )
    wfdb.wrsamp(
        "slow",
        fs=100,
        units=["mV"],
        sig_name=["noise"],
        p_signal=np.sin(2 * np.pi * 7.0 * np.arange(2000) / 100)[:, np.newaxis],
        fmt=["16"],
        write_dir=str(tmp_path),
    )
    monkeypatch.chdir(tmp_path)
    options = Options(
        detector="listening_detector:detect", noise=str(tmp_path / "slow"), snr_db=(6.0,)
    )
    assert len(list(validate_detector(six_minutes, options))) == 2
    clean, noisy = sys.modules["listening_detector"].heard
    added = noisy - clean
    assert not added[: 300 * FS_HZ].any()
    spectrum = np.abs(np.fft.rfft(added[300 * FS_HZ :]))
    assert np.argmax(spectrum[1:]) + 1 == 7.0 * 60  # bins of 1/60 Hz


def test_a_detector_that_fails_on_a_record_does_not_stop_the_others(folder, tmp_path, monkeypatch):
    (tmp_path / "moody_detector.py").write_text(
        "def detect(ecg, fs_hz):\n"
        "    detect.calls = getattr(detect, 'calls', 0) + 1\n"
        "    if detect.calls == 1:\n"
        "        raise RuntimeError('not today')\n"
        "    return [100, 200]\n"
    )
    monkeypatch.chdir(tmp_path)
    failed, scored = validate_detector(
        folder, Options(detector="moody_detector:detect", learning_s=5.0)
    )
    assert failed.score is None
    assert failed.failure == "RuntimeError: not today"
    assert scored.score is not None


@pytest.mark.parametrize("workers", [1, 2])
def test_a_detector_that_leaves_or_fails_in_many_lines_is_a_failure_in_one(
    folder, tmp_path, monkeypatch, workers
):
    (tmp_path / "leaving_detectors.py").write_text(
        "def leaves(ecg, fs_hz):\n"
        "    raise SystemExit('too short')\n"
        "def explains(ecg, fs_hz):\n"
        "    raise RuntimeError('first\\nsecond')\n"
    )
    monkeypatch.chdir(tmp_path)
    for name, failure in (
        ("leaves", "SystemExit: too short"),
        ("explains", "RuntimeError: first second"),
    ):
        options = Options(detector=f"leaving_detectors:{name}", learning_s=5.0)
        runs = list(validate_detector(folder, options, workers=workers))
        assert [run.failure for run in runs] == [failure] * 2


def test_what_a_detector_prints_does_not_spoil_the_result(folder, tmp_path, monkeypatch, capsys):
    (tmp_path / "chatty_detector.py").write_text(
        "print('loading')\ndef detect(ecg, fs_hz):\n    print('at work')\n    return [100]\n"
    )
    monkeypatch.chdir(tmp_path)
    arguments = ["--detector", "chatty_detector:detect", "--learning", "5", "--json"]
    assert main(["validate", str(folder), *arguments]) == 0
    said = capsys.readouterr()
    assert json.loads(said.out)["options"]["detector"] == "chatty_detector:detect"
    assert "loading" in said.err
    assert "at work" in said.err


def test_seconds_and_a_spoilt_input_are_answered(folder, tmp_path, monkeypatch):
    (tmp_path / "odd_detectors.py").write_text(
        "def seconds(ecg, fs_hz):\n"
        "    return [0.6 + 0.8 * i for i in range(40)]\n"
        "def spoils(ecg, fs_hz):\n"
        "    ecg[:] = 0.0\n"
        "    return []\n"
    )
    monkeypatch.chdir(tmp_path)
    options = Options(detector="odd_detectors:seconds", learning_s=5.0)
    (failed,) = validate_detector(folder, options, records=["ridge"])
    assert failed.score is None
    assert failed.failure.startswith("the detector returned fractions up to 31.8")
    options = Options(detector="odd_detectors:spoils", learning_s=5.0)
    (run,) = validate_detector(folder, options, records=["ridge"])
    assert np.ptp(run.worst[0].ecg) > 0.5


def test_a_fault_in_a_worker_reaches_the_caller(folder):
    with pytest.raises(InputError, match="has 0 to 1, or all"):
        list(validate_detector(folder, Options(lead="7"), records=["ridge"], workers=2))


def test_a_worker_that_dies_is_explained(folder, tmp_path, monkeypatch):
    (tmp_path / "deadly_detector.py").write_text(
        "import os\ndef detect(ecg, fs_hz):\n    os._exit(3)\n"
    )
    monkeypatch.chdir(tmp_path)
    options = Options(detector="deadly_detector:detect", learning_s=5.0)
    with pytest.raises(InputError, match="a worker process died"):
        list(validate_detector(folder, options, records=["ridge"], workers=2))


@pytest.mark.parametrize(
    ("options", "records", "hint"),
    [
        (QUICK, ["absent"], "no annotated record absent"),
        (Options(lead="7"), (), "has 0 to 1, or all"),
        (Options(lead="left"), (), "no lead 'left'"),
        (Options(annotator="qrs"), (), r"no WFDB record with a \.hea header and \.qrs"),
        (Options(detector="nowhere:nothing"), (), "no detector"),
        (Options(learning_s=5.0, noise="generated:thunder"), (), "kind of noise"),
        (Options(learning_s=5.0, noise="no/such/record"), (), "does not exist"),
        (Options(learning_s=60.0), (), "record 'ridge': .* learning period of 60 s"),
    ],
)
def test_bad_input_is_explained(folder, options, records, hint):
    with pytest.raises(InputError, match=hint):
        list(validate_detector(folder, options, records=records))


def test_a_missing_folder_is_explained(tmp_path):
    with pytest.raises(InputError, match="there is no folder"):
        records_to_run(tmp_path / "absent", QUICK)


def test_a_ratio_to_no_noise_is_refused(folder, capsys):
    assert main(["validate", str(folder), "--learning", "5", "--snr", "12"]) == 2
    assert "name the noise with --noise" in capsys.readouterr().err


def test_command_writes_a_report_that_agrees_with_its_tables(folder, tmp_path, capsys):
    output = tmp_path / "report"
    arguments = ["validate", str(folder), "--learning", "5", "-o", str(output), "--json"]
    arguments += ["--noise", str(folder / "gravel"), "--snr", "12,0"]
    assert main(arguments) == 0
    said = json.loads(capsys.readouterr().out)
    held = json.loads((output / "validation.json").read_text())
    assert {key: held[key] for key in said} == said
    assert said["n_records"] == 2
    assert [row["snr_db"] for row in said["noise_stress"]] == [12.0, 0.0]

    with (output / "records.csv").open(newline="") as file:
        rows = {row["record"]: row for row in csv.DictReader(file)}
    assert list(rows)[:3] == ["ridge", "valley", "gross"]
    assert list(rows)[-1] == "average"
    assert int(rows["gross"]["missed"]) == int(rows["valley"]["missed"]) == 3
    assert float(rows["gross"]["sensitivity_pct"]) == pytest.approx(
        100 * (1 - 3 / int(rows["gross"]["beats"])), rel=1e-5
    )
    page = (output / "report.html").read_text()
    assert "100\u00a0% of its 3 errors are in 1 of 2 records: valley." in page
    assert page.count("data:image/svg+xml") >= 4
    assert "http://" not in page.replace("http://www.w3.org", "")
    pictures = {path.stem for path in (output / "figures").iterdir()}
    assert {"errors", "timing", "noise_stress"} <= pictures
    assert any(name.startswith("worst_1_valley") for name in pictures)
    assert r"\toprule" in (output / "tables.tex").read_text()
    assert "| ridge | MLII |" in (output / "tables.md").read_text()


def test_command_prints_a_table_and_findings(folder, capsys):
    assert main(["validate", str(folder), "--learning", "5", "--records", "valley"]) == 0
    printed = capsys.readouterr().out
    assert "| valley | MLII |" in printed
    assert "palpate finds" in printed


def test_command_says_when_the_detector_failed(folder, tmp_path, monkeypatch, capsys):
    (tmp_path / "broken_detector.py").write_text("def detect(ecg, fs_hz):\n    return 1 / 0\n")
    monkeypatch.chdir(tmp_path)
    arguments = ["validate", str(folder), "--detector", "broken_detector:detect"]
    arguments += ["--learning", "5", "-o", str(tmp_path / "report")]
    assert main(arguments) == 1
    printed = capsys.readouterr().out
    assert "No record could be scored." in printed
    assert "ZeroDivisionError" in printed
    assert "ZeroDivisionError" in (tmp_path / "report" / "report.html").read_text()


def test_command_needs_a_folder_that_is_there(tmp_path, capsys):
    assert main(["validate", str(tmp_path / "absent")]) == 2
    assert "there is no folder" in capsys.readouterr().err


def test_command_defaults_are_those_of_the_protocol():
    from palpate.cli import build_parser

    arguments = build_parser().parse_args(["validate", "folder"])
    defaults = Options()
    assert arguments.learning == defaults.learning_s
    assert arguments.match_window == defaults.window_s
    assert arguments.snr is None  # then the options' own hold
    assert defaults.snr_db == SNR_DB
    assert (arguments.detector, arguments.lead) == (defaults.detector, defaults.lead)


def test_a_report_that_cannot_be_written_is_explained(folder, tmp_path, capsys):
    (tmp_path / "taken").write_text("a file")
    arguments = ["validate", str(folder), "--learning", "5", "-o", str(tmp_path / "taken")]
    assert main(arguments) == 2
    assert "taken" in capsys.readouterr().err


def test_mitdb_record_100_needs_no_correction(data_dir):
    # gqrs of the WFDB software finds all 1902 beats of the test period; so should we.
    (run,) = validate_detector(data_dir / "datasets" / "mitdb", Options(), records=["100"])
    assert run.score.ec57.statistics.qrs_sensitivity.denominator == 1902
    assert run.score.ec57.statistics.qrs_f1.percent > 99.9
