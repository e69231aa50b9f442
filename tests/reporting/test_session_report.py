from __future__ import annotations

import csv
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from palpate.evaluation.scoring import OUTSIDE, UNTRUSTED, WITHIN, scored_windows
from palpate.heartrate import METHODS
from palpate.reporting.figures import causes_figure, dose_figure
from palpate.reporting.findings import activity_grade, findings
from palpate.reporting.page import environment
from palpate.reporting.report import Report
from palpate.reporting.session_report import write_report
from palpate.reporting.source_numbers import doubt_auc
from palpate.reporting.style import svg_bytes
from palpate.reporting.tables import untrusted_stretches
from palpate.reporting.text_tables import proportion
from palpate.reporting.timeline_figures import session_figure
from palpate.reporting.values import plain
from palpate.results import SessionResult, SourceResult
from palpate.signals import WindowTable
from palpate.validation import InputError


@pytest.fixture(scope="module")
def result(hut_result: SessionResult) -> SessionResult:
    return hut_result


@pytest.fixture(scope="module")
def report(hut_report: Report) -> Report:
    return hut_report


def test_everything_promised_is_there_and_nothing_unfinished(report: Report) -> None:
    folder = report.page.parent
    assert sorted(p.name for p in folder.iterdir()) == [
        "figures",
        "reference.csv",
        "report.html",
        "summary.json",
        "windows.csv",
    ]
    names = {p.stem for p in (folder / "figures").iterdir()}
    for name in names:
        assert (folder / "figures" / f"{name}.png").stat().st_size > 5_000
        assert (folder / "figures" / f"{name}.svg").stat().st_size > 5_000
    assert {"reference", "1_alder_session", "2_birch_conventional_motion"} <= names


def test_the_page_needs_no_other_file_and_no_network(report: Report) -> None:
    page = report.page.read_text(encoding="utf-8")
    for address in re.findall(r'(?:src|href)="([^"]*)"', page):
        assert address.startswith(("data:image/svg+xml;base64,", "#"))
    assert "http" not in re.sub(r'src="data:[^"]*"', "", page)


def test_the_grid_at_the_top_grades_as_the_findings_do(
    report: Report, result: SessionResult
) -> None:
    page = report.page.read_text(encoding="utf-8")
    grid = page[page.index("At a glance") : page.index('<section class="findings">')]
    graded = re.findall(r'<td class="(good|fair|poor|few)">', grid)
    expected = [
        activity_grade(row)
        for source in result.sources
        for row in source.by_activity
        if row.errors.n
    ]
    assert sorted(graded) == sorted(expected)
    assert len(set(expected)) > 1


def test_the_grid_says_its_grades_in_words_and_its_sources_are_explained(report: Report) -> None:
    page = report.page.read_text(encoding="utf-8")
    grid = page[page.index("At a glance") : page.index('<section class="findings">')]
    words = {"good": "trust it", "fair": "trust it with care", "poor": "do not trust it"}
    told = re.findall(r'<td class="(\w+)"><span class="unseen">(.*?): </span>', grid)
    assert told
    assert all(words[grade] == word for grade, word in told if grade != "few")
    assert grid.count('href="#terms"') == 1
    terms = page[page.index('id="terms"') :]
    for name in ("light", "source", "score", "dB over the rest"):
        assert f"<dt>{name}</dt>" in terms
    assert all(f"<i>{name}</i>" in terms for name in ("device", *METHODS))


def test_names_of_activities_wrap_in_the_grid_so_that_its_last_column_stays_in_sight(
    report: Report,
) -> None:
    (rule,) = re.findall(r"\.glance th \{([^}]*)\}", report.page.read_text(encoding="utf-8"))
    assert "white-space: normal" in rule


def test_no_line_ends_between_a_number_and_its_unit() -> None:
    written = (
        environment().from_string("{{ text }}").render(text="31 %), 7.6 bpm, (5 to 7) s, 3 sets")
    )
    assert written == "31\u00a0%), 7.6\u00a0bpm, (5 to 7)\u00a0s, 3 sets"


def test_the_page_carries_the_cautions_and_the_terms(report: Report) -> None:
    page = report.page.read_text(encoding="utf-8")
    for text in ("not a medical device", "electrodes", "licensed practitioners", "tolerance"):
        assert text in page
    assert "<dt>motion flag</dt>" in page


def test_terms_of_motion_stand_only_where_motion_is_shown(
    result: SessionResult, tmp_path: Path
) -> None:
    band = result.bands[0]
    still = replace(band, motion=WindowTable(band.motion.start_s, band.motion.end_s), sources=())
    page = write_report(replace(result, bands=(still,)), tmp_path).page
    assert "<dt>motion flag</dt>" not in page.read_text(encoding="utf-8")


def test_the_note_on_vibration_stands_by_the_table_that_holds_it(
    report: Report, result: SessionResult
) -> None:
    page = report.page.read_text(encoding="utf-8")
    bands, files = page.split('<h2 id="sources">')
    said = {band.recording.name: band.vibration for band in result.bands}
    assert all(text.startswith("hand-arm weighted vibration") for text in said.values())
    assert "hand-arm weighted" not in bands
    assert all(f"is {text}.</p>".replace(" Hz", "\u00a0Hz") in files for text in said.values())
    assert all(s["vibration"] == said[s["band"]] for s in report.summary["sources"])
    assert not any("vibration" in " ".join(s["notes"]) for s in report.summary["sources"])


def test_links_lead_somewhere(report: Report) -> None:
    page = report.page.read_text(encoding="utf-8")
    targets = set(re.findall(r'id="([^"]+)"', page))
    assert set(re.findall(r'href="#([^"]+)"', page)) <= targets


def test_names_are_escaped(result: SessionResult, tmp_path: Path) -> None:
    session = replace(result.session, title="<script>alert(1)</script>", notes="a & b")
    page = write_report(replace(result, session=session, bands=()), tmp_path).page
    text = page.read_text(encoding="utf-8")
    assert "<script>" not in text
    assert "&lt;script&gt;" in text


def test_the_table_has_a_row_per_source_and_window(result: SessionResult, report: Report) -> None:
    with (report.page.parent / "windows.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(result.sources) * len(result.windows)
    first = rows[0]
    source = result.sources[0].windows
    assert first["band"] == "Alder"
    assert float(first["reference_bpm"]) == pytest.approx(source["reference_bpm"][0], rel=1e-5)
    assert {"motion_mad_g", "motion_flag", "light_skewness", "status"} <= set(first)


def test_the_summary_is_strict_json_with_the_figures_of_the_result(
    result: SessionResult, report: Report
) -> None:
    text = (report.page.parent / "summary.json").read_text(encoding="utf-8")
    told = json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))
    whole = told["sources"][1]["activities"][-1]
    assert whole["mae_bpm"] == pytest.approx(result.sources[1].by_activity[-1].errors.mae_bpm)
    assert told["findings"] == list(report.findings)
    assert told["findings"] == findings(result).lines()
    assert all(len(f["sha256"]) == 64 for f in told["files"])


def test_what_the_page_shows_of_a_source_is_in_the_summary(report: Report) -> None:
    with (report.page.parent / "windows.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    page = report.page.read_text(encoding="utf-8")
    assert len(report.summary["sources"]) > 1
    for told in report.summary["sources"]:
        mine = [r for r in rows if (r["band"], r["source"]) == (told["band"], told["source"])]
        scored = [r for r in mine if r["status"] in ("within", "outside")]
        outside, n = [r for r in scored if r["status"] == "outside"], len(scored)
        for row in told["motion_flags"]:
            flagged = [r for r in scored if r["motion_flag"] == row["flag"]]
            missed = [r for r in flagged if r["status"] == "outside"]
            assert (row["n"], row["n"] * row["outside_share"]) == (
                len(flagged),
                pytest.approx(len(missed)),
            )
        whole = told["causes_by_activity"][-1]
        assert (whole["activity"], whole["n"]) == ("all", n)
        for cause, share in whole["shares"].items():
            assert share * n == pytest.approx(sum(r["cause"] == cause for r in outside))
        assert sum(row["n"] for row in told["rises"]) == sum(
            event["kind"] == "rise" for event in told["events"]
        )
        if told["doubt_auc"] is not None:
            assert f"the ROC curve of {told['doubt_auc']:.2f}" in page


def test_every_share_within_tolerance_stands_with_its_interval(report: Report) -> None:
    page = report.page.read_text(encoding="utf-8")
    for told in report.summary["sources"]:
        for row in told["activities"]:
            low, high = row["share_within_interval"]
            assert low <= row["share_within"] <= high
            written = proportion(row["share_within"], low, high).replace(" %", "\u00a0%")
            assert f"<td>{written}</td>" in page


def test_a_session_without_activities_speaks_of_the_whole(
    result: SessionResult, tmp_path: Path
) -> None:
    def whole(source: SourceResult) -> SourceResult:
        return replace(source, by_activity=source.by_activity[-1:])

    bands = tuple(replace(band, sources=tuple(map(whole, band.sources))) for band in result.bands)
    bare = replace(result, session=replace(result.session, activities=()), bands=bands)
    report = write_report(bare, tmp_path)
    page = report.page.read_text(encoding="utf-8")
    assert "between activities" not in page
    assert "<td>all</td>" not in page
    (rises,) = report.summary["sources"][0]["rises"]
    assert rises["activity"] == "all"


def test_too_few_windows_outside_are_not_ranked(result: SessionResult) -> None:
    source = result.sources[0]
    scored = np.flatnonzero(scored_windows(source.windows))
    doubt = np.linspace(0.0, 1.0, len(source.windows))

    def with_outside(n: int) -> SourceResult:
        status = np.full(len(source.windows), UNTRUSTED)
        status[scored] = WITHIN
        status[scored[-n:]] = OUTSIDE
        return replace(source, windows=source.windows.with_columns(status=status, doubt=doubt))

    assert np.isnan(doubt_auc(with_outside(9)))
    assert doubt_auc(with_outside(10)) == 1.0


def test_what_may_explain_nothing_is_not_shared_out(result: SessionResult, tmp_path: Path) -> None:
    band = result.bands[0]
    source = next(each for each in band.sources if each.variance)
    for low, shared_out in ((0.1, True), (-0.1, False)):
        variance = replace(source.variance, explained=0.3, low=low)
        changed = replace(source, variance=variance)
        alone = replace(result, bands=(replace(band, sources=(changed,)),))
        page = write_report(alone, tmp_path / str(low)).page.read_text(encoding="utf-8")
        assert ("kind of evidence" in page) == shared_out
        assert ("may be nothing" in page) != shared_out


def test_a_window_of_a_flag_of_its_own_is_drawn(result: SessionResult) -> None:
    band = result.bands[0]
    flag = np.full(len(band.motion), "still", dtype="<U8")
    flag[40] = "shaking"
    one = replace(band, motion=band.motion.with_columns(flag=flag))
    axis = session_figure(result, one).axes[-1]
    drawn = {patch.get_label(): patch for patch in axis.patches}
    vertices = drawn["shaking"].get_path().vertices
    middle_s = band.motion.middle_s[40]
    assert np.ptp(vertices[:, 0]) == pytest.approx(2.0)
    assert vertices[:, 0].mean() == pytest.approx(middle_s, abs=1.0)
    assert vertices[:, 1].max() == pytest.approx(1e3 * band.motion["mad_g"][40])


def test_a_source_has_one_colour_in_every_band(result: SessionResult) -> None:
    first, *others = result.bands
    no_device = replace(first, sources=first.sources[1:])
    changed = replace(result, bands=(no_device, *others))
    colours = [
        {line.get_label(): line.get_color() for line in session_figure(changed, band).axes[0].lines}
        for band in changed.bands
    ]
    for name in ("conventional", "robust"):
        assert colours[0][name] == colours[1][name]


def test_intervals_do_not_squeeze_the_picture(result: SessionResult) -> None:
    source = next(each for each in result.sources if each.dose is not None)
    wide = replace(source.dose, bin_high_bpm=source.dose.bin_high_bpm + 1000.0)
    (axis,) = dose_figure(result.session, source, wide).axes
    assert axis.get_ylim()[1] < 100.0


def test_writing_again_replaces_the_old_report(
    result: SessionResult, report: Report, tmp_path: Path
) -> None:
    folder = tmp_path / "report"
    shutil.copytree(report.page.parent, folder)
    alone = write_report(replace(result, bands=()), folder)
    assert [p.name for p in sorted((folder / "figures").iterdir())] == [
        "reference.png",
        "reference.svg",
    ]
    assert "Alder: " not in alone.page.read_text(encoding="utf-8")
    assert "No wrist recording" in alone.page.read_text(encoding="utf-8")


def test_a_folder_that_cannot_be_made_is_one_sentence(
    result: SessionResult, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    with pytest.raises(InputError, match="cannot write the report"):
        write_report(replace(result, bands=()), tmp_path / "file" / "out")


def test_pictures_of_ones_own_are_not_replaced(result: SessionResult, tmp_path: Path) -> None:
    mine = tmp_path / "figures" / "mine.png"
    mine.parent.mkdir()
    mine.touch()
    with pytest.raises(InputError, match="not from an earlier report"):
        write_report(replace(result, bands=()), tmp_path)
    assert mine.exists()


def test_a_full_disk_leaves_the_old_report_as_it_was(
    result: SessionResult, report: Report, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "report"
    shutil.copytree(report.page.parent, folder)
    from palpate.reporting import session_report as module

    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(module, "write_csv", full)
    with pytest.raises(InputError, match="No space left on device"):
        write_report(replace(result, bands=()), folder)
    assert contents(folder) == contents(report.page.parent)
    assert not list(tmp_path.rglob(".unfinished*"))


def contents(folder: Path) -> dict[Path, bytes]:
    return {p.relative_to(folder): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_untrusted_stretches_name_the_detector_that_disagrees(result: SessionResult) -> None:
    trusted = np.ones(len(result.windows), dtype=bool)
    trusted[[10, 11, 12, 40]] = False
    dissenter = np.full(len(trusted), "", dtype="<U8")
    dissenter[[10, 11]] = "slope"
    windows = result.windows.with_columns(
        trusted=trusted,
        reason=np.where(trusted, "", "detectors disagree"),
        dissenter=dissenter,
        disagreement_bpm=np.where(dissenter == "slope", -9.0, np.nan),
        n_rivals=np.where(np.arange(len(trusted)) == 11, 3, 0),
    )
    first, second = untrusted_stretches(windows)
    assert (first["start_s"], first["end_s"]) == (windows.start_s[10], windows.end_s[12])
    assert first["dissenter"] == "slope"
    assert (first["disagreement_bpm"], first["n_rivals"]) == (9.0, 3)
    assert (second["start_s"], second["dissenter"]) == (windows.start_s[40], "")
    assert untrusted_stretches(windows, most=1) == [first]


def test_undefined_numbers_become_null() -> None:
    found = plain({"a": np.float64("nan"), "b": (np.int64(3), float("inf")), "c": np.array([1.5])})
    assert found == {"a": None, "b": [3, None], "c": [1.5]}


@pytest.mark.parametrize("name", ["", "carrying " * 20])
def test_causes_are_drawn_whatever_the_activities_are_called(
    result: SessionResult, name: str
) -> None:
    source = next(each for each in result.sources if any(each.causes.counts().values()))
    rows = [replace(source.by_activity[0], activity=name)] if name else []
    table = source.causes.windows.with_columns(activity=np.full(len(source.windows), name))
    changed = replace(
        source,
        by_activity=(*rows, source.by_activity[-1]),
        causes=replace(source.causes, windows=table),
    )
    (axis,) = causes_figure(changed).axes
    labels = [label.get_text() for label in axis.get_yticklabels()]
    assert labels[-1].startswith("the whole session (")
    assert max(map(len, labels)) < 40
    assert len(labels) == len(changed.by_activity)


def test_the_picture_of_a_day_stays_small(result: SessionResult) -> None:
    copies = -(-43_200 // len(result.windows))

    def long(table: WindowTable) -> WindowTable:
        start_s = 2.0 * np.arange(copies * len(table))
        columns = {name: np.tile(column, copies) for name, column in table.columns.items()}
        return WindowTable(start_s, start_s + 8.0, columns)

    band = result.bands[0]
    sources = tuple(replace(each, windows=long(each.windows)) for each in band.sources)
    day = replace(result, windows=long(result.windows))
    figure = session_figure(day, replace(band, sources=sources, motion=long(band.motion)))
    assert len(svg_bytes(figure)) < 4_000_000
