"""`palpate study`: the reports of many sessions in, one page and its tables out."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from palpate.cli import main
from palpate.explanation.events import EventResponse, HeartRateEvent
from palpate.reporting.report import Report
from palpate.reporting.report_folder import read_reports
from palpate.reporting.source_numbers import rises_by_activity
from palpate.reporting.tables import summary
from palpate.results import SessionResult
from palpate.study.sessions import session_errors
from palpate.validation import InputError

Change = Callable[[dict], None]


@pytest.fixture(scope="module")
def report(hut_report: Report) -> Path:
    """Folder of a session's report, which other tests read too."""
    return hut_report.page.parent


@pytest.fixture
def evenings(report: Path, tmp_path: Path) -> list[Path]:
    """The same session as six evenings, Alder with a newer firmware in the last three."""
    folders = []
    for place in range(6):
        folder = tmp_path / f"evening {place}"
        shutil.copytree(report, folder)
        edit(folder, lambda summary, place=place: as_evening(summary, place))
        folders.append(folder)
    return folders


def as_evening(summary: dict, place: int) -> None:
    summary["title"] = f"Evening {place}"
    for file in summary["files"]:
        file["sha256"] = f"{place}{file['sha256'][1:]}"
    for source in summary["sources"]:
        if source["band"] == "Alder" and place >= 3:
            source["firmware"] = "3.3"


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


def edit(folder: Path, change: Change) -> None:
    path = folder / "summary.json"
    summary = json.loads(path.read_text(encoding="utf-8"))
    change(summary)
    path.write_text(json.dumps(summary), encoding="utf-8")


def test_a_report_is_read_back_as_it_was_written(report: Path) -> None:
    sources = read_reports([report])
    rows = rows_of(report / "windows.csv")
    assert sum(len(source.windows) for source in sources) == len(rows)
    summary = json.loads((report / "summary.json").read_text(encoding="utf-8"))
    for source, about in zip(sources, summary["sources"], strict=True):
        assert (source.condition.band, source.condition.source) == (about["band"], about["source"])
        assert source.condition.firmware == about["firmware"] != ""
        outside = source.windows["status"] == "outside"
        assert sum(about["causes"].values()) == outside.sum()
        assert (source.windows["cause"] != "").sum() == outside.sum()
        assert source.rise_late_s.size == sum(e["kind"] == "rise" for e in about["events"])


def test_rises_are_of_the_same_activity_in_a_session_and_a_study(
    hut_result: SessionResult, report: Path, tmp_path: Path
) -> None:
    """Also in its first and last second, where no window lies whole in an activity."""
    at_s = [second for a in hut_result.session.activities for second in (a.start_s, a.end_s - 1.0)]
    seen = tuple(
        EventResponse(HeartRateEvent("rise", s - 9.0, s, s + 9.0, 90.0, 120.0), True, 1.0, 2.0)
        for s in at_s
    )
    band = hut_result.bands[0]
    source = replace(band.sources[0], events=seen)
    at_ends = replace(hut_result, bands=(replace(band, sources=(source,)),))
    folder = tmp_path / "ends"
    shutil.copytree(report, folder)
    (folder / "summary.json").write_text(json.dumps(summary(at_ends)), encoding="utf-8")
    counted = {one.activity: one.rise_late_s.size for one in session_errors(read_reports([folder]))}
    assert counted.pop("all") == len(at_s)
    told = rises_by_activity(source, at_ends.session.activities)
    assert len(counted) >= 3  # at this scale some activities are too short to count
    assert {row["activity"]: row["n"] for row in told if row["activity"] in counted} == counted


def test_the_page_and_its_tables(
    evenings: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    output = tmp_path / "study"
    command = ["study", *map(str, evenings), "-o", str(output), "--title", "Spring & autumn"]
    assert main(command) == 0
    said = capsys.readouterr().out
    assert "What did the firmware change?" in said
    assert said.rstrip().endswith("report.html")
    page = (output / "report.html").read_text(encoding="utf-8")
    assert "Spring &amp; autumn" in page
    assert "against the ECG: 6 sessions" in page
    assert "One firmware against another" in page
    for term in ("source", "trust it, trust it with care, do not trust it"):
        assert f"<dt>{term}</dt>" in page
    assert "not a medical device" in page
    places = [page.index(f">{text}<") for text in ("At a glance", "What did the firmware change?")]
    assert places == sorted(places)
    assert places[-1] < page.index("<h3>Alder 3.2</h3>")
    rows = rows_of(output / "pooled.csv")
    whole = {(r["band"], r["firmware"]): r for r in rows if r["activity"] == "all"}
    assert whole["Alder", "3.3"]["n_sessions"] == "3"
    assert whole["Birch", "0.9"]["n_sessions"] == "6"
    written = {path.name for path in output.iterdir()}
    assert written >= {"sessions.csv", "comparisons.csv", "study.json", "tables.md", "tables.tex"}
    assert {path.suffix for path in (output / "figures").iterdir()} == {".png", ".svg"}


def test_a_single_band_and_a_single_session_make_a_page(
    evenings: list[Path], tmp_path: Path
) -> None:
    """Then there are sources to compare but no firmware and no band, or nothing at all."""
    for folder in evenings:
        edit(folder, lambda summary: drop_all_but(summary, "Alder"))
    for count in (1, 3):
        output = tmp_path / f"study {count}"
        named = [str(folder) for folder in evenings[:count]]
        assert main(["study", *named, "-o", str(output), "--quiet"]) == 0
        page = (output / "report.html").read_text(encoding="utf-8")
        assert ("One source against another" in page) == (count > 1)
        assert "Which band does better?" not in page


def test_sessions_too_short_to_pool_are_said_to_be_so(
    report: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "short"
    shutil.copytree(report, folder)
    head, *rows = (folder / "windows.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    firsts = {tuple(row.split(",")[:2]): row for row in reversed(rows)}
    (folder / "windows.csv").write_text(head + "".join(firsts.values()), encoding="utf-8")
    edit(folder, lambda summary: summary["reference"].update(n_windows=1))
    assert main(["study", str(folder), "-o", str(tmp_path / "study")]) == 0
    told = capsys.readouterr().out
    assert "nothing to pool" in told
    assert "At a glance" not in (tmp_path / "study" / "report.html").read_text(encoding="utf-8")


def drop_all_but(summary: dict, band: str) -> None:
    summary["sources"] = [source for source in summary["sources"] if source["band"] == band]


def test_the_same_evening_twice_is_refused(
    report: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["study", str(report), str(report), "-o", str(tmp_path / "s")]) == 2
    assert "hold the same recordings" in capsys.readouterr().err
    assert not (tmp_path / "s").exists()


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        (lambda summary: summary["options"].update(absolute_bpm=3.0), "absolute_bpm = 3"),
        (lambda summary: summary.update(schema=99), "another schema"),
        (lambda summary: summary["sources"][0].update(source="else"), "has no row of"),
        (lambda summary: summary.update(sources=None), "not as palpate explain wrote it"),
        (lambda summary: summary.update(sources=[1]), "not as palpate explain wrote it"),
        (
            lambda summary: summary.pop("title"),
            "lacks 'title', so another version of palpate wrote it",
        ),
    ],
)
def test_a_report_that_does_not_fit_is_named(
    evenings: list[Path], change: Change, complaint: str
) -> None:
    edit(evenings[1], change)
    with pytest.raises(InputError, match=complaint) as refused:
        read_reports(evenings[:2])
    assert "evening 1" in str(refused.value)


def test_a_folder_without_a_report_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"holds no summary\.json"):
        read_reports([tmp_path])


def test_a_folder_of_reports_is_answered_with_the_reports_in_it(evenings: list[Path]) -> None:
    with pytest.raises(InputError, match=r"name the reports in it, such as .*evening 0"):
        read_reports([evenings[0].parent])


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        (
            lambda text: text[: len(text) // 2],
            r"windows\.csv (is not as|has )",
        ),
        (lambda text: "".join(text.splitlines(keepends=True)[:-1]), r"has \d+ of \d+ rows of"),
        (lambda text: text.replace(",within,", ",fine,"), "a window's status is 'fine'"),
        (lambda text: text.replace(",", ";"), r"windows\.csv lacks 'band', so another version"),
    ],
)
def test_damaged_windows_are_refused_and_never_pooled(
    report: Path, tmp_path: Path, change: Callable[[str], str], complaint: str
) -> None:
    folder = tmp_path / "damaged"
    shutil.copytree(report, folder)
    path = folder / "windows.csv"
    path.write_text(change(path.read_text(encoding="utf-8")), encoding="utf-8")
    with pytest.raises(InputError, match=complaint):
        read_reports([folder])


def test_a_study_does_not_replace_a_sessions_report(
    report: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "evening"
    shutil.copytree(report, folder)
    page = (folder / "report.html").read_bytes()
    assert main(["study", str(folder), "-o", str(folder)]) == 2
    assert "holds what palpate explain wrote (summary.json)" in capsys.readouterr().err
    assert (folder / "report.html").read_bytes() == page
    assert main(["study", str(folder), "-o", str(tmp_path / "study"), "--quiet"]) == 0
    assert main(["explain", "none.toml", "-o", str(tmp_path / "study")]) == 2
    assert "holds what palpate study wrote (study.json)" in capsys.readouterr().err


def test_sessions_without_activities_are_judged_as_a_whole(
    report: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "unnamed"
    shutil.copytree(report, folder)
    with (folder / "windows.csv").open(newline="", encoding="utf-8") as file:
        rows = [{**row, "activity": ""} for row in csv.DictReader(file)]
    with (folder / "windows.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    assert main(["study", str(folder), "-o", str(tmp_path / "study")]) == 0
    assert "  the whole session: too little to tell." in capsys.readouterr().out
