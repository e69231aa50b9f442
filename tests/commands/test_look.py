import json

import pytest

from palpate.cli import main


@pytest.fixture
def rows(tmp_path):
    path = tmp_path / "birch.csv"
    path.write_text("t,green,x [g]\n" + "".join(f"{k / 10},{k},{-k}\n" for k in range(40)))
    return path


def test_look_lays_channels_out_in_columns(rows, capsys):
    assert main(["look", str(rows)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert f"{rows}: delimited text" in lines
    head = next(line for line in lines if line.startswith("#"))
    green, x = lines[lines.index(head) + 1 : lines.index(head) + 3]
    assert green.split() == ["1", "green", "10", "0", "4", "0", "0.00", "0.00", "0", "39"]
    assert x.split() == ["2", "x", "g", "10", "0", "4", "0", "0.00", "0.00", "-39", "0"]
    assert head.index("rate Hz") + len("rate Hz") == green.index(" 10 ") + len(" 10")
    assert lines[-1].startswith("sha256 ")


def test_look_speaks_json(rows, capsys):
    assert main(["look", "--json", str(rows), str(rows)]) == 0
    first, second = json.loads(capsys.readouterr().out)["files"]
    assert first == second
    assert first["channels"][1]["unit"] == "g"
    assert first["start_time"] is None


def test_undefined_numbers_are_null_in_json_and_a_dash_in_text(tmp_path, capsys):
    path = tmp_path / "a.csv"
    path.write_text("x,y\n1,\n2,\n")
    main(["look", "--json", str(path)])
    empty = json.loads(capsys.readouterr().out)["files"][0]["channels"][1]
    assert (empty["fs_hz"], empty["smallest"], empty["missing_share"]) == (None, None, 1.0)
    main(["look", str(path)])
    assert "–" in capsys.readouterr().out


def test_a_file_that_is_not_there_is_one_sentence_and_code_2(tmp_path, capsys):
    assert main(["look", str(tmp_path / "none.edf")]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert "none.edf does not exist; check the path" in err
