from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import pytest

from palpate import __version__
from palpate.cli import COMMANDS, build_parser, main


def run(*arguments: str, **options: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "palpate.cli", *arguments],
        capture_output=True,
        text=True,
        check=False,
        **options,  # type: ignore[call-overload]
    )


def test_help_names_every_command_and_the_caution() -> None:
    text = run("--help").stdout
    for name in COMMANDS:
        assert f"    {name} " in text
    assert "not a medical device" in text


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main([name, "--help"])
    assert stopped.value.code == 0
    assert "--json" in capsys.readouterr().out


def test_version() -> None:
    assert run("--version").stdout.strip() == f"palpate {__version__}"


def test_bad_input_is_one_sentence_and_exit_code_2(tmp_path: Path) -> None:
    done = run("explain", str(tmp_path / "missing.toml"), "-o", str(tmp_path / "out"))
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith("palpate: ")
    assert done.stderr.count("\n") == 1
    assert "missing.toml" in done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("option", "value"),
    [
        *(("--window", "0"), ("--window", "nan"), ("--step", "-1"), ("--tolerance-bpm", "-5")),
        *(("--tolerance-share", "inf"), ("--tolerance-share", "10")),
        *(("--methods", "robust,magic"), ("--methods", ",")),
        *(("--window", "0.001"), ("--window", "1e9"), ("--step", "1e-9"), ("--step", "9")),
    ],
)
def test_an_option_is_refused_by_its_name_before_any_work(
    option: str, value: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["explain", str(tmp_path / "missing.toml"), "-o", str(tmp_path), option, value]
    try:
        code: object = main(arguments)
    except SystemExit as stopped:
        code = stopped.code
    told = capsys.readouterr()
    assert code == 2
    assert told.out == ""
    assert told.err.count("\n") == 1
    assert option in told.err
    assert "missing.toml" not in told.err


def test_a_fault_of_ours_is_not_dressed_up_as_bad_input(monkeypatch: pytest.MonkeyPatch) -> None:
    from palpate.commands import look

    def broken(*_: object) -> int:
        raise ValueError("a bug")

    monkeypatch.setattr(look, "run", broken)
    with pytest.raises(ValueError, match="a bug"):
        main(["look", "x.edf"])


def test_interruption_has_its_own_exit_code(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from palpate.commands import look

    def interrupted(*_: object) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr(look, "run", interrupted)
    assert main(["look", "x.edf"]) == 130
    assert "interrupted" in capsys.readouterr().err


def test_a_reader_that_goes_away_is_no_fault(hut_sheet: Path) -> None:
    command = f"{sys.executable} -m palpate.cli look {hut_sheet} | true"
    done = subprocess.run(command, shell=True, capture_output=True, text=True, check=False)  # noqa: S602
    assert "Traceback" not in done.stderr


@pytest.fixture(scope="module")
def brief_sheets(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Sheets of three minutes, with one band and with the ECG alone.

    That is enough for what is said and where it is written.
    """
    pytest.importorskip("edfio", reason="writing the simulated session's ECG needs edfio")
    from palpate.simulation import simulate_session, write_session
    from palpate.simulation.scenario import ALDER

    folder = tmp_path_factory.mktemp("brief")
    banded, alone = (
        write_session(simulate_session(seed=4, scale=0.05, bands=bands), folder / name)
        for name, bands in (("banded", (ALDER,)), ("alone", ()))
    )
    return banded, alone.rename(alone.with_name("alone.toml"))


def test_explain_prints_findings_and_ends_with_the_path_of_the_report(
    brief_sheets: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["explain", str(brief_sheets[0]), "-o", str(tmp_path)]) == 0
    lines = capsys.readouterr().out.strip().splitlines()
    assert lines[-1] == str(tmp_path / "report.html")
    assert any(line.startswith("Alder") and "within tolerance" in line for line in lines)


def test_quiet_says_nothing_and_json_is_all_there_is(
    brief_sheets: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    banded, alone = map(str, brief_sheets)
    assert main(["explain", alone, "-o", str(tmp_path), "--quiet"]) == 0
    assert capsys.readouterr().out == ""
    methods = ["--methods", "conventional"]
    assert main(["explain", banded, "-o", str(tmp_path), "--json", *methods]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["sources"][0]["band"] == "Alder"


def test_the_store_keeps_the_session_and_every_window(
    brief_sheets: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from palpate.io import read_store, read_table, table_names

    store, methods = tmp_path / "evening.h5", ["--methods", "conventional"]
    command = ["explain", str(brief_sheets[0]), "-o", str(tmp_path / "out"), "--store"]
    assert main([*command, str(store), *methods]) == 0
    assert capsys.readouterr().out.splitlines()[-2] == str(store)
    assert [r.name for r in read_store(store).recordings] == ["chest", "Alder"]
    assert table_names(store) == ("reference", "Alder, device", "Alder, conventional")
    kept = read_table(store, "Alder, device")
    assert kept.parameters["methods"] == ["conventional"]
    with (tmp_path / "out" / "windows.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["source"] == "device"]
    assert [row["status"] for row in rows] == kept.table["status"].tolist()
    assert {"motion_mad_g", "light_perfusion_index_pct", "cause"} <= set(kept.table)


@pytest.mark.parametrize(
    ("inputs", "store", "message"),
    [(["a.toml"], "evening.csv", "must end in .h5"), (["a.h5", "b.h5"], "c.h5", "one by one")],
)
def test_a_store_that_cannot_be_is_refused_before_any_work(
    inputs: list[str], store: str, message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["explain", *inputs, "-o", "out", "--store", store]) == 2
    assert message in capsys.readouterr().err


def test_several_sessions_get_a_folder_each(
    brief_sheets: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "reports"
    command = ["explain", *map(str, brief_sheets), "-o", str(out), "--json"]
    assert main([*command, "--methods", "conventional"]) == 0
    told = json.loads(capsys.readouterr().out)["sessions"]
    assert [bool(session["sources"]) for session in told] == [True, False]
    assert sorted(p.name for p in out.iterdir()) == ["alone", "session"]
    for session, folder in zip(told, ("session", "alone"), strict=True):
        assert (out / folder / "report.html").is_file()
        written = json.loads((out / folder / "summary.json").read_text(encoding="utf-8"))
        assert written["sources"] == session["sources"]


def test_two_sessions_of_one_name_are_refused_before_any_work(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for folder in "ab":
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "ride.toml").touch()
    names = [str(tmp_path / folder / "ride.toml") for folder in "ab"]
    assert main(["explain", *names, "-o", str(tmp_path / "out")]) == 2
    assert "two inputs are called ride" in capsys.readouterr().err
    assert main(["explain", names[0], "gone.toml", "-o", str(tmp_path / "out")]) == 2
    assert "gone.toml does not exist" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "value"),
    [("-6,12", (-6.0, 12.0)), ("6", (6.0,)), ("6,6,-6", (6.0, -6.0)), ("-.5", (-0.5,))],
)
def test_ratios_may_begin_with_a_minus(text: str, value: tuple[float, ...]) -> None:
    arguments = build_parser().parse_args(["validate", "folder", "--snr", text])
    assert arguments.snr == value


@pytest.mark.parametrize(
    "arguments",
    [
        ["validate", "f", "--seed", "-3"],
        ["validate", "f", "--seed", "1.5"],
        ["validate", "f", "--records", ","],
        ["validate", "f", "--match-window", "1e9"],
        ["demo", "--seed", "-1"],
        ["align", "s.toml", "--max-drift", "1e9"],
    ],
)
def test_a_value_that_no_run_can_use_is_refused(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(arguments)
    assert stopped.value.code == 2
    assert arguments[-2] in capsys.readouterr().err


def test_an_option_out_of_range_is_told_in_one_clause(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit):
        main(["explain", "s.toml", "-o", "o", "--window", "0"])
    assert capsys.readouterr().err == (
        "palpate: --window is 0; it must be 4 to 120; see palpate explain --help\n"
    )


@pytest.mark.parametrize(
    ("word", "hint"), [("expain", "did you mean 'explain'?"), ("xyz", "there are demo, explain")]
)
def test_a_misspelt_command_is_answered_with_the_nearest(
    word: str, hint: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stopped:
        main([word, "s.toml"])
    assert stopped.value.code == 2
    assert f"there is no command {word!r}; {hint}" in capsys.readouterr().err


def test_what_is_named_twice_counts_once() -> None:
    arguments = build_parser().parse_args(["explain", "s", "-o", "o", "--methods", "robust,robust"])
    assert arguments.methods == ("robust",)
