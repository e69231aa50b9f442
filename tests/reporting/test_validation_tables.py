from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

pytest.importorskip("matplotlib", reason="the reporting room needs it")

from palpate.detector_validation import Excerpt, Options, RecordRun
from palpate.evaluation import Annotations
from palpate.evaluation.detector_scoring import Stretch, score_detector, worst_stretches
from palpate.reporting.validation_figures import (
    errors_figure,
    excerpt_figure,
    gallery_excerpts,
    stress_figure,
    timing_figure,
)
from palpate.reporting.validation_report import write_validation
from palpate.reporting.validation_tables import (
    class_rows,
    failure_rows,
    record_rows,
    shown_total_rows,
    stress_rows,
    timing_errors_ms,
    timing_row,
    total_rows,
    validation_summary,
)
from palpate.reporting.validation_text import validation_findings

SECONDS = 110.0


def _run(record, *, missing=(), extra=(), shift_s=0.0, snr_db=float("nan")):
    beats_s = np.arange(1.0, 101.0)
    symbols = np.array(["V" if i < 10 else "N" for i in range(100)])
    reference = Annotations(beats_s, symbols, np.zeros(100, dtype=np.intp))
    found_s = np.sort(np.concatenate([np.delete(beats_s, list(missing)) + shift_s, extra]))
    score = score_detector(reference, found_s, fs_hz=250, end_s=SECONDS, learning_s=0)
    worst = tuple(
        _excerpt(record, stretch) for stretch in worst_stretches(score.ec57, count=4, end_s=SECONDS)
    )
    return RecordRun(record, "MLII", snr_db, SECONDS, 0.02, score, worst)


def _excerpt(record, stretch):
    nothing = np.empty(0)
    return Excerpt(
        record=record,
        lead="MLII",
        stretch=stretch,
        fs_hz=50.0,
        unit="mV",
        ecg=np.sin(np.arange(500) / 10.0)[:, np.newaxis],
        reference_s=np.array([stretch.start_s + 1.0]),
        symbol=np.array(["V"]),
        estimate_s=np.array([stretch.start_s + 1.0]),
        missed_s=nothing,
        extra_s=nothing,
    )


@pytest.fixture
def runs():
    return [
        _run("a", missing=(3, 50)),
        _run("b", extra=(20.5,), shift_s=0.02),
        RecordRun("c", "MLII", float("nan"), SECONDS, failure="RuntimeError: no"),
        _run("a", missing=tuple(range(20)), snr_db=0.0),
        _run("b", missing=tuple(range(40)), snr_db=0.0),
        _run("a", snr_db=12.0),
    ]


def test_record_rows_hold_the_clean_runs_and_the_failures(runs):
    first, second, third = record_rows(runs)
    assert (first["record"], first["missed"], first["extra"]) == ("a", 2, 0)
    assert (second["found"], second["extra"]) == (100, 1)
    assert second["timing_median_ms"] == pytest.approx(20.0)
    assert third == {"record": "c", "lead": "MLII", "failure": "RuntimeError: no"}


def test_gross_pools_counts_and_average_means_records(runs):
    gross, low, _, average = total_rows(runs)
    assert np.isnan(low["sensitivity_pct"])  # two records are too few to draw from
    assert (gross["beats"], gross["missed"], gross["extra"]) == (200, 2, 1)
    assert gross["sensitivity_pct"] == pytest.approx(99.0)
    assert average["sensitivity_pct"] == pytest.approx((98.0 + 100.0) / 2)
    assert gross["positive_predictivity_pct"] == pytest.approx(100 * 198 / 199)
    assert average["positive_predictivity_pct"] == pytest.approx((100 + 100 * 100 / 101) / 2)


def test_bounds_that_no_record_gives_are_said_and_not_shown(runs, tmp_path):
    assert [row["record"] for row in shown_total_rows(runs)] == ["gross", "average"]
    assert "A 95 % interval takes at least 5 records." in validation_findings(runs, Options())[0]
    report = write_validation(runs, Options(), tmp_path, folder_name="hut")
    for name in ("report.html", "tables.md", "tables.tex"):
        text = (tmp_path / name).read_text(encoding="utf-8")
        assert "gross" in text
        assert "95 % from" not in text.replace("\\", "").replace("\u00a0", " ")
    assert "gross, 95 % from" in (tmp_path / "records.csv").read_text(encoding="utf-8")
    assert report.summary["gross_95_pct_from"]["sensitivity_pct"] is None
    assert report.summary["n_records"] == 2


def test_bounds_of_five_records_are_shown():
    five = [_run(name, missing=range(place)) for place, name in enumerate("abcde")]
    assert len(shown_total_rows(five)) == 4
    assert "interval takes" not in validation_findings(five, Options())[0]


def test_the_kind_that_is_missed_most_is_one_that_is_missed(runs):
    many = [_run(name, missing=(0,)) for name in "abcdefghijk"]  # 110 V, 990 N
    (told,) = (line for line in validation_findings(many, Options()) if "most often" in line)
    assert told.startswith("Of the kinds with at least 100 beats, it misses ventricular ectopic")
    extra = [_run(name, extra=(20.5,)) for name in "abcdefghijk"]
    assert not any("most often" in line for line in validation_findings(extra, Options()))


def test_classes_are_pooled_over_clean_records(runs):
    rows = {row["class"]: row for row in class_rows(runs)}
    assert (rows["V"]["beats"], rows["V"]["missed"]) == (20, 1)
    assert (rows["N"]["beats"], rows["N"]["missed"]) == (180, 1)
    assert np.isnan(rows["S"]["sensitivity_pct"])


def test_timing_is_detection_minus_annotation(runs):
    errors = timing_errors_ms(runs)
    assert errors.size == 198
    row = timing_row(runs)
    assert row["mean_ms"] == pytest.approx(20.0 * 100 / 198)
    assert (row["p5_ms"], row["p95_ms"]) == pytest.approx((0.0, 20.0), abs=1e-6)
    assert row["within_50ms_pct"] == 100.0


def test_stress_rows_go_from_clean_to_noisy(runs):
    clean, noisy = stress_rows(runs)
    assert (clean["snr_db"], clean["missed"]) == (12.0, 0)
    assert (noisy["snr_db"], noisy["records"], noisy["beats"]) == (0.0, 2, 200)
    assert noisy["sensitivity_pct"] == pytest.approx(70.0)


def test_summary_is_json_without_nan(runs):
    text = json.dumps(validation_summary(runs, Options()), allow_nan=False)
    assert json.loads(text)["failures"] == [
        {"record": "c", "snr_db": None, "reason": "RuntimeError: no"}
    ]
    assert failure_rows(runs)[0]["record"] == "c"


def test_findings_name_numbers_that_the_tables_hold(runs):
    told = " ".join(validation_findings(runs, Options()))
    assert "finds 99.00 % of 200 beats in 2 records" in told
    assert "67 % of its 3 errors are in 1 of 2 records: a." in told
    assert "failed on 1 run" in told
    assert "F1 is 100.0 % at 12 dB" in told


def test_findings_without_errors_and_without_records():
    assert any("no error at all" in line for line in validation_findings([_run("a")], Options()))
    assert validation_findings([], Options()) == ["No record could be scored."]


def test_a_detector_that_marks_nothing_gets_no_undefined_numbers():
    told = " ".join(validation_findings([_run("a", missing=tuple(range(100)))], Options()))
    assert "marks nothing: it misses all 100 beats in 1 record" in told
    assert "nan" not in told


def test_records_without_a_beat_get_no_undefined_numbers():
    nothing = Annotations(np.empty(0), np.empty(0, dtype=str), np.empty(0, dtype=np.intp))
    score = score_detector(nothing, np.array([3.0, 4.0]), fs_hz=250, end_s=SECONDS, learning_s=0)
    told = validation_findings(
        [RecordRun("a", "MLII", float("nan"), SECONDS, 0.02, score)], Options()
    )
    assert told[0].startswith("There is no beat to find in 1 record")
    assert "all 2 marks of palpate are extra" in told[0]
    assert "nan" not in " ".join(told)


def test_gallery_takes_the_worst_and_at_most_two_of_a_record():
    bad = _run("bad", missing=(5, 25, 45, 65, 85))
    good = _run("good", missing=(5,))
    chosen = gallery_excerpts([good, bad])
    assert [excerpt.record for excerpt in chosen].count("bad") == 2
    assert {excerpt.record for excerpt in chosen} == {"good", "bad"}


def _texts(figure):
    axis = figure.axes[0]
    return [axis.get_title(loc="left"), axis.get_xlabel(), *(t.get_text() for t in axis.texts)]


def test_error_bars_leave_out_records_without_errors(runs):
    figure = errors_figure(record_rows([*runs, _run("clean")]))
    labels = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert [label.split()[0] for label in labels] == ["a", "b"]
    assert "2 of 4 records have none" in _texts(figure)[0]


def test_figures_draw_what_they_are_given(runs):
    stress = stress_figure(stress_rows(runs))
    np.testing.assert_allclose(stress.axes[0].get_lines()[0].get_xdata(), [12.0, 0.0])
    assert stress.axes[0].xaxis_inverted()
    timing = timing_figure(timing_errors_ms(runs), median_ms=timing_row(runs)["p50_ms"])
    assert sum(patch.get_height() for patch in timing.axes[0].patches) >= 198
    excerpt = excerpt_figure(_excerpt("a", Stretch(70.0, 80.0, 1, 2)))
    assert "a, MLII: 1 missed, 2 extra" in _texts(excerpt)
    assert excerpt.axes[0].get_xlim() == (70.0, 80.0)


def test_figures_of_nothing_do_not_fail():
    assert timing_figure(np.empty(0), median_ms=float("nan")).axes
    assert errors_figure([]).axes


def test_every_lead_that_the_detector_saw_is_drawn_below_the_other():
    one = _excerpt("a", Stretch(70.0, 80.0, 1, 2))
    ecg = np.column_stack([one.ecg[:, 0], 3.0 + 2.0 * one.ecg[:, 0], np.full(500, np.nan)])
    lines = excerpt_figure(replace(one, ecg=ecg)).axes[0].lines[:3]
    upper, lower, empty = (np.asarray(line.get_ydata()) for line in lines)
    assert lower.max() < upper.min()
    assert np.ptp(lower) == pytest.approx(2.0 * np.ptp(upper))
    assert np.isnan(empty).all()
