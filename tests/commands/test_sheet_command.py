import json

import pytest

from palpate.cli import main
from palpate.io import open_session


@pytest.fixture
def rows(tmp_path):
    path = tmp_path / "data" / "birch.csv"
    path.parent.mkdir()
    path.write_text("t,ppg,hr_bpm\n" + "".join(f"{k},{k * k},{60 + k}\n" for k in range(9)))
    return path


def test_a_draft_is_written_and_opens(rows, tmp_path, capsys):
    out = tmp_path / "sheets" / "s.toml"
    assert main(["sheet", str(rows), "-o", str(out)]) == 0
    assert 'file = "../data/birch.csv"' in out.read_text()
    (recording,) = open_session(out).recordings
    assert recording.waveforms[0].name == "ppg"
    assert recording.rates[0].hr_bpm[-1] == 68.0


def test_without_output_it_is_shown(rows, capsys):
    assert main(["sheet", str(rows)]) == 0
    assert "schema = 1" in capsys.readouterr().out
    assert main(["sheet", str(rows), "--json"]) == 0
    assert "schema = 1" in json.loads(capsys.readouterr().out)["sheet"]


def test_a_sheet_that_exists_is_not_overwritten(rows, tmp_path, capsys):
    out = tmp_path / "s.toml"
    out.write_text("mine")
    assert main(["sheet", str(rows), "-o", str(out)]) == 2
    assert "exists; name another file" in capsys.readouterr().err
    assert out.read_text() == "mine"
    assert main(["sheet", str(rows), "-o", str(tmp_path / "s.txt")]) == 2
    assert "must end in .toml" in capsys.readouterr().err
