from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from palpate.io.sheet_clocks import with_clocks, write_clocks
from palpate.validation import InputError

SHEET = """\
schema = 1
title = "Supply run"  # evening

[[recording]]
name = "chest"
file = "chest.edf"

[[recording.channel]]
role = "ecg"

[[recording]]
# the left wrist
name = "alder"
file = "alder.csv"
clock_offset_s = 3.0  # by eye

[[recording.channel]]
name = "alder"
role = "heart_rate"
select = ["hr"]

[[activity]]
name = "rest"
start_s = 0
end_s = 60
"""


def test_clocks_are_set_and_nothing_else_changes() -> None:
    text = with_clocks(SHEET, {"alder": (3.27019, 2.684)})
    before, after = SHEET.splitlines(), text.splitlines()
    assert [line for line in after if line not in before] == [
        "clock_drift_ppm = 2.68",
        "clock_offset_s = 3.2702",
    ]
    assert [line for line in before if line not in after] == ["clock_offset_s = 3.0  # by eye"]
    recordings = tomllib.loads(text)["recording"]
    assert recordings[1]["clock_offset_s"] == 3.2702
    assert "clock_offset_s" not in recordings[0]


def test_setting_clocks_twice_is_setting_them_once() -> None:
    once = with_clocks(SHEET, {"alder": (1.0, 2.0), "chest": (0.0, 0.0)})
    assert with_clocks(once, {"alder": (1.0, 2.0), "chest": (0.0, 0.0)}) == once


def test_a_sheet_is_written_beside_the_original(tmp_path: Path) -> None:
    sheet = tmp_path / "session.toml"
    sheet.write_text(SHEET, "utf-8")
    write_clocks(sheet, tmp_path / "aligned.toml", {"alder": (1.5, -20.0)})
    document = tomllib.loads((tmp_path / "aligned.toml").read_text("utf-8"))
    assert document["recording"][1]["clock_drift_ppm"] == -20.0
    assert sheet.read_text("utf-8") == SHEET


def test_a_sheet_elsewhere_would_lose_its_files(tmp_path: Path) -> None:
    sheet = tmp_path / "session.toml"
    sheet.write_text(SHEET, "utf-8")
    with pytest.raises(InputError, match="write it beside the sheet"):
        write_clocks(sheet, tmp_path / "other" / "aligned.toml", {"alder": (1.5, 0.0)})


def test_the_sheet_itself_would_lose_its_clocks(tmp_path: Path) -> None:
    sheet = tmp_path / "session.toml"
    sheet.write_text(SHEET, "utf-8")
    with pytest.raises(InputError, match=r"session\.toml is the sheet itself.*name another file"):
        write_clocks(sheet, tmp_path / "." / "session.toml", {"alder": (1.5, 0.0)})
    assert sheet.read_text("utf-8") == SHEET


def test_a_sheet_that_cannot_be_edited_is_left_alone(tmp_path: Path) -> None:
    sheet = tmp_path / "session.toml"
    sheet.write_text('schema = 1\ntitle = "t"\nrecording = [{ name = "alder" }]\n', "utf-8")
    with pytest.raises(InputError, match="cannot be edited"):
        write_clocks(sheet, tmp_path / "aligned.toml", {"alder": (1.5, 0.0)})
    assert not (tmp_path / "aligned.toml").exists()
