"""What the README shows must work as it stands there."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from palpate.cli import COMMANDS
from palpate.io import open_session, read_sheet, write_store
from palpate.signals import Role

README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")


def block(language: str, holding: str) -> str:
    blocks = re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL)
    return next(text for text in blocks if holding in text)


def test_the_job_comes_first() -> None:
    first = README.split("\n\n")[1]
    assert first.startswith("You test wrist-worn heart-rate sensors.")


def test_every_command_it_names_exists_and_every_command_is_named() -> None:
    named = set(re.findall(r"palpate ([a-z]+)[` ]", README))
    assert set(COMMANDS) <= named
    assert set(re.findall(r"`palpate ([a-z]+)", README)) <= set(COMMANDS)


def test_its_session_sheet_is_valid(tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text(block("toml", "[[recording]]"), encoding="utf-8")
    for name in ("chest.edf", "alder.csv"):
        (tmp_path / name).touch()
    sheet = read_sheet(tmp_path / "session.toml")
    assert [r.name for r in sheet.recordings] == ["chest", "Alder"]
    assert sheet.activities[0].name == "crate lifting"


def test_its_python_runs() -> None:
    rng = np.random.default_rng(0)
    given = {
        "ecg": rng.normal(size=256 * 60),
        "ppg": np.sin(2 * np.pi * 1.2 * np.arange(64 * 60) / 64) + 5.0,
        "acc": rng.normal(size=(64 * 60, 3)) * 0.01 + [0.0, 0.0, 1.0],
    }
    exec(compile(block("python", "beat_reference"), "README.md", "exec"), given)  # noqa: S102 - our own text
    assert given["rate"].hr_bpm[-1] == pytest.approx(72.0, abs=2.0)
    assert set(given["flags"].tolist()) == {"still"}


def test_its_lines_of_h5py_read_a_store(
    hut_sheet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = open_session(hut_sheet)
    write_store(session, tmp_path / "session.h5")
    monkeypatch.chdir(tmp_path)
    found: dict[str, object] = {}
    exec(compile(block("python", "h5py.File"), "README.md", "exec"), found)  # noqa: S102
    acc = next(r for r in session.recordings if r.name == "Alder").of_role(Role.ACC)[0]
    assert np.array_equal(found["values"], acc.values)  # type: ignore[arg-type]
    assert (found["fs_hz"], found["unit"]) == (acc.fs_hz, "g")
    np.testing.assert_allclose(found["time_s"], acc.times_s())  # type: ignore[arg-type]


def test_links_lead_to_files_that_are_there() -> None:
    root = Path(__file__).parent.parent
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (root / target).exists(), target
