"""A simulated evening whose clocks are known, from its files through the command line."""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from palpate.alignment import align_session
from palpate.signals import RateSeries, Recording, Role, Session, Waveform
from palpate.validation import InputError

pytest.importorskip("edfio", reason="the simulated ECG is written as EDF")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from palpate.simulation import simulate_session, write_session

    path = tmp_path_factory.mktemp("evening")
    write_session(simulate_session(seed=3, scale=0.6), path)
    return path


def test_align_finds_the_true_clocks_and_updates_the_sheet(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from palpate.cli import main

    sheet, aligned = folder / "session.toml", folder / "aligned.toml"
    assert main(["align", str(sheet), "--json", "-o", str(aligned)]) == 0
    result = json.loads(capsys.readouterr().out)
    truth = json.loads((folder / "truth.json").read_text("utf-8"))["clocks"]
    assert result["reference"] == "chest"
    written = {r["name"]: r for r in tomllib.loads(aligned.read_text("utf-8"))["recording"]}
    for found in result["recordings"]:
        name = found["recording"]
        assert found["clock"]["method"] == "pulses"
        piece = found["clock"]["pieces"][0]
        low_s, high_s = piece["offset_interval_s"]
        assert low_s <= truth[name]["offset_s"] <= high_s
        assert piece["offset_s"] == pytest.approx(truth[name]["offset_s"], abs=0.15)
        assert written[name]["clock_offset_s"] == pytest.approx(piece["offset_s"], abs=1e-4)
        assert found["rates"][0]["step_bpm"] == 1.0


def test_align_says_what_a_person_needs(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from palpate.cli import main

    assert main(["align", str(folder / "session.toml")]) == 0
    said = capsys.readouterr().out
    for words in ("reference clock: chest", "Alder: offset +3.", "ppm", "smoothing", "covered"):
        assert words in said


def wrist(name: str, acc: np.ndarray, **clock: float) -> Recording:
    waveform = Waveform("acc", Role.ACC, acc, 50.0, "g")
    return Recording(name, (waveform,), **clock)  # type: ignore[arg-type]


@pytest.mark.parametrize(("stated_s", "stated_ppm"), [(0.0, 0.0), (7.5, 0.0), (30.0, 200.0)])
def test_the_clock_found_does_not_depend_on_the_one_stated(
    stated_s: float, stated_ppm: float
) -> None:
    rng = np.random.default_rng(0)
    effort = np.exp(np.interp(np.arange(30_000), np.arange(0, 30_001, 500), rng.normal(size=61)))
    acc = effort[:, np.newaxis] * rng.normal(0, 0.1, (30_000, 3)) + np.array([0.0, 0.0, 1.0])
    birch = wrist("Birch", acc[500:], clock_offset_s=stated_s, clock_drift_ppm=stated_ppm)
    found = align_session(Session("two wrists", (wrist("Alder", acc, clock_offset_s=2.0), birch)))
    (alignment,) = found.alignments
    assert found.reference == "Alder"
    assert alignment.known
    assert alignment.clock is not None
    assert alignment.clock.offset_s == pytest.approx(12.0, abs=0.01)
    assert alignment.clock.drift_ppm == pytest.approx(0.0, abs=10.0)
    assert alignment.session_s(np.array([100.0]))[0] == pytest.approx(112.0, abs=0.01)


def test_one_recording_cannot_be_lined_up() -> None:
    with pytest.raises(InputError, match="takes two or more"):
        align_session(Session("alone", ()))


def test_a_recording_that_cannot_be_used_is_named() -> None:
    slow = Waveform("ecg", Role.ECG, np.zeros((16 * 60, 1)), 16.0, "mV")
    walk = wrist("Alder", np.zeros((3000, 3)))
    session = Session("evening", (Recording("chest", (slow,)), walk))
    with pytest.raises(InputError, match="recording 'chest': fs_hz is 16 Hz; QRS detection needs"):
        align_session(session)


def test_only_a_sheet_can_be_updated(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from palpate.cli import main

    assert main(["align", str(tmp_path / "packed.h5"), "-o", str(tmp_path / "x.toml")]) == 2
    assert "updates sheets (.toml) only" in capsys.readouterr().err


def test_coverage_is_told_on_the_clock_that_was_found() -> None:
    rng = np.random.default_rng(0)
    effort = np.exp(np.interp(np.arange(30_000), np.arange(0, 30_001, 500), rng.normal(size=61)))
    acc = effort[:, np.newaxis] * rng.normal(0, 0.1, (30_000, 3)) + np.array([0.0, 0.0, 1.0])
    stamp_s = np.arange(-2.0, 598.0)
    rate = RateSeries(
        "device", stamp_s, stamp_s + 1.0, np.full(600, 90.0), np.full(600, np.nan), np.full(600, "")
    )
    birch = wrist("Birch", acc, clock_offset_s=-5000.0, clock_known=False)
    session = Session("evening", (wrist("Alder", acc), replace(birch, rates=(rate,))))
    (alignment,) = align_session(session).alignments
    told = alignment.rates[0].coverage
    assert told.start_s == pytest.approx(-2.0, abs=0.01)
    assert told.end_s == pytest.approx(600.0, abs=0.01)
    assert told.valued_share == pytest.approx(600.0 / 602.0, abs=1e-3)
    assert told.first_value_s == pytest.approx(0.0, abs=0.01)


def test_align_finds_a_clock_that_is_hours_off(folder: Path) -> None:
    from palpate.cli import main

    text = (folder / "session.toml").read_text("utf-8")
    text = re.sub(r"clock_offset_s = [1-9]\S*", "clock_offset_s = 7200.0", text)
    sheet, aligned = folder / "hours.toml", folder / "hours_aligned.toml"
    sheet.write_text(text, "utf-8")
    assert main(["align", str(sheet), "-o", str(aligned), "--quiet"]) == 0
    truth = json.loads((folder / "truth.json").read_text("utf-8"))["clocks"]["Alder"]
    written = {r["name"]: r for r in tomllib.loads(aligned.read_text("utf-8"))["recording"]}
    assert written["Alder"]["clock_offset_s"] == pytest.approx(truth["offset_s"], abs=0.15)


def test_it_does_not_matter_which_way_the_light_points(folder: Path) -> None:
    from palpate.io import open_session

    session = open_session(folder / "session.toml")
    chest, alder = session.recordings[:2]
    turned = tuple(
        replace(w, values=60_000.0 - w.values) if w.role is Role.PPG else w for w in alder.waveforms
    )
    plain, upside_down = (
        align_session(replace(session, recordings=(chest, band))).alignments[0].fits[0]
        for band in (alder, replace(alder, waveforms=turned))
    )
    assert plain.method == "pulses"
    assert upside_down.offset_s == pytest.approx(plain.offset_s, abs=1e-6)
    assert upside_down.pieces[0].correlation == pytest.approx(plain.pieces[0].correlation)
