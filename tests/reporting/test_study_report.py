"""A study's page and pictures: pair by pair, as judged, and no more than is shown."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from palpate.evaluation.scoring import OUTSIDE, WITHIN
from palpate.reporting.study_figures import study_figures
from palpate.reporting.study_report import write_study
from palpate.reporting.study_text import causes_text, study_findings
from palpate.signals import WindowTable
from palpate.study import Comparison, Condition, SessionSource, StudyResult, study_sessions

OLD, NEW = Condition("Alder", "3.1", "device"), Condition("Alder", "3.2", "device")
BIRCH = Condition("Birch", "0.9", "device")
ROBUST = Condition("Birch", "0.9", "robust")


def a_session(place: int, condition: Condition, error_bpm: float) -> SessionSource:
    """Off by the same in every window of crate lifting, and right in all of the rest."""
    n = 80
    start_s = 2.0 * np.arange(n)
    reference = 100.0 + 10.0 * np.sin(start_s / 30.0)
    error = np.where(np.arange(n) < 40, 0.0, error_bpm)
    outside = np.abs(error) > 5.0
    windows = WindowTable(
        start_s,
        start_s + 8.0,
        {
            "activity": np.where(np.arange(n) < 40, "rest", "crate lifting"),
            "reference_bpm": reference,
            "estimate_bpm": reference + error,
            "error_bpm": error,
            "tolerance_bpm": np.full(n, 5.0),
            "status": np.where(outside, OUTSIDE, WITHIN),
            "cause": np.where(outside, np.where(np.arange(n) == 79, "shaking", "cadence lock"), ""),
            "motion_mad_g": np.full(n, 0.1 + 0.001 * (place % 6)),
        },
    )
    none = np.empty(0)
    return SessionSource(f"evening {place}", "W1", condition, windows, none, none)


@pytest.fixture(scope="module")
def result() -> StudyResult:
    rng = np.random.default_rng(3)
    held = []
    for place in range(12):
        alder, error = (OLD, 6.0) if place < 6 else (NEW, 3.0)
        for condition, size in ((alder, error), (BIRCH, 7.0), (ROBUST, 1.0)):
            held.append(a_session(place, condition, size + rng.normal(0.0, 0.2)))
    return study_sessions(held)


def test_equal_motion_is_said_once(result: StudyResult) -> None:
    (told,) = study_findings(result).answers["What did the firmware change?"]
    assert told.startswith("Alder 3.2 against Alder 3.1 (device), at equal motion: better in crate")
    assert told.count("at equal motion") == 1
    assert told.endswith("no difference shown in rest.")


def test_what_a_firmware_changed_is_told_in_per_cent_and_bpm(result: StudyResult) -> None:
    (told,) = study_findings(result).answers["What did the firmware change?"]
    lifting = next(
        one
        for one in result.comparisons
        if one.changed == "firmware" and one.activity == "crate lifting"
    )
    less = 100.0 * (1.0 - np.array([lifting.judged.ratio, lifting.judged.high, lifting.judged.low]))
    middle, low, high = (f"{number:.0f}" for number in less)
    bpm = f"{lifting.second_mae_bpm:.1f} against {lifting.first_mae_bpm:.1f} bpm"
    assert f"crate lifting ({middle} % less error, {low} to {high}; {bpm})" in told


def test_what_is_shown_alone_but_not_among_all_is_said_to_be(result: StudyResult) -> None:
    def doubtful(one: Comparison) -> Comparison:
        if one.activity != "crate lifting":
            return one
        return replace(one, p=0.14, verdict="no difference shown")

    other = replace(result, comparisons=tuple(map(doubtful, result.comparisons)))
    (told,) = study_findings(other).answers["What did the firmware change?"]
    assert told.endswith(
        "no difference shown in rest, crate lifting (50 % less error, "
        "shown by itself but not among all that is compared)."
    )


def test_the_picture_has_a_panel_per_pair_that_the_findings_tell(result: StudyResult) -> None:
    figure = study_figures(result)["comparisons"]
    assert [axis.get_title(loc="left") for axis in figure.axes] == [
        "Alder 3.2 against Alder 3.1 (device)",
        "Birch 0.9 against Alder 3.1 (device)",
        "Alder 3.2 against Birch 0.9 (device)",
    ]
    for axis in figure.axes:
        names = [label.get_text() for label in axis.get_yticklabels()]
        assert names == ["rest", "crate lifting"]
    (legend,) = figure.legends
    shown = {text.get_text() for text in legend.get_texts()}
    assert shown == {"better", "worse", "no difference shown", "as measured"}


def test_a_band_s_firmwares_stand_together_and_all_comparisons_are_kept(
    result: StudyResult, tmp_path: Path
) -> None:
    report = write_study(result, tmp_path, title="Spring")
    page = report.page.read_text(encoding="utf-8")
    places = [page.index(f"<h3>{name}</h3>") for name in ("Alder 3.1", "Alder 3.2", "Birch 0.9")]
    assert places == sorted(places)
    assert len(report.summary["comparisons"]) == len(result.comparisons)
    folded = page[page.index('id="comparisons"') : page.index('id="sessions"')]
    assert folded.count("<details") == 3


def test_a_cause_of_hardly_any_window_is_not_named(result: StudyResult) -> None:
    lifting = next(
        one for one in result.pooled if one.condition == OLD and one.activity == "crate lifting"
    )
    assert lifting.cause_shares["shaking"] == pytest.approx(1 / 40)
    assert causes_text(lifting) == "cadence lock 98 %"
