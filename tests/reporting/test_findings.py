"""Findings are short, begin with what failed, and never say more than the data."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from palpate.evaluation.scoring import ALL, OUTSIDE, errors_by_activity, score_windows
from palpate.explanation.causes import CAUSES, UNEXPLAINED
from palpate.explanation.dose_response import dose_response
from palpate.reporting.figures import CAUSE_COLOURS
from palpate.reporting.findings import (
    FEW_WINDOWS,
    GRADES,
    VERDICTS,
    ActivityFinding,
    duration_text,
    findings,
    grade_of,
    shares_told,
)
from palpate.reporting.motion_text import motion_sentence
from palpate.reporting.rise_text import rises_told
from palpate.reporting.source_numbers import activity_at
from palpate.results import BandResult, SessionResult, SourceResult
from palpate.signals import Activity, RateSeries


@pytest.fixture(scope="module")
def result(hut_result: SessionResult) -> SessionResult:
    return hut_result


def rescored(result: SessionResult, error_bpm: np.ndarray) -> SessionResult:
    """Return the session as if its first band had shown reference + error throughout."""
    windows = result.windows.with_columns(
        trusted=np.ones(len(result.windows), dtype=bool),
        hr_bpm=np.full(len(result.windows), 100.0),
    )
    n = len(windows)
    blank, nothing = np.full(n, np.nan), np.full(n, "")
    rate = RateSeries("device", windows.start_s, windows.end_s, 100.0 + error_bpm, blank, nothing)
    scored = score_windows(windows, rate)
    band = result.bands[0]
    causes = band.sources[0].causes
    named = np.where(scored["status"] == OUTSIDE, "shaking", "")
    first = replace(
        band.sources[0],
        windows=scored,
        by_activity=errors_by_activity(scored),
        dose=None,
        causes=replace(causes, windows=causes.windows.with_columns(cause=named)),
    )
    bands = (replace(band, sources=(first, *band.sources[1:])),)
    return replace(result, windows=windows, bands=bands)


def told_of(result: SessionResult, activity: str) -> ActivityFinding:
    (band,) = findings(result).bands
    return next(one for one in band.activities if one.activity == activity)


def longest_activity(result: SessionResult) -> tuple[str, np.ndarray]:
    names = result.windows["activity"]
    name = max(set(names.tolist()) - {""}, key=lambda each: (names == each).sum())
    return name, np.flatnonzero(names == name)


@pytest.mark.parametrize(
    ("outside_share", "grade"), [(0.0, "good"), (0.04, "good"), (0.1, "fair"), (0.5, "poor")]
)
def test_the_grade_follows_the_share_within_tolerance(
    result: SessionResult, outside_share: float, grade: str
) -> None:
    name, rows = longest_activity(result)
    error = np.zeros(len(result.windows))
    error[rows[: round(outside_share * len(rows))]] = 30.0
    found = told_of(rescored(result, error), name)
    assert found.grade == grade
    assert found.verdict == VERDICTS[grade]
    said = re.match(r"([\d.]+) \(([\d.]+) to ([\d.]+)\) % of (\d+) windows", found.numbers)
    assert said is not None
    share, low, high, n = (float(number) for number in said.groups())
    assert n == len(rows)
    assert low < share <= high
    assert share == round(100.0 * (1.0 - round(outside_share * n) / n))


@pytest.mark.parametrize(("ecg_wrong", "is_said"), [(44, True), (4, False)])
def test_a_grade_that_the_ecg_spoils_is_not_blamed_on_the_band(
    result: SessionResult, ecg_wrong: int, is_said: bool
) -> None:
    name, rows = longest_activity(result)
    error = np.zeros(len(result.windows))
    error[rows[:44]] = 30.0
    spoilt = rescored(result, error)
    first = spoilt.bands[0].sources[0]
    named = first.causes.windows["cause"].astype("<U30")
    named[rows[:ecg_wrong]] = "reference fault"
    causes = replace(first.causes, windows=first.causes.windows.with_columns(cause=named))
    band = replace(spoilt.bands[0], sources=(replace(first, causes=causes),))
    found = told_of(replace(spoilt, bands=(band,)), name)
    assert found.grade == "poor"
    told = (
        "Look at the ECG first: it, not the wrist, seems to be wrong in 44 of these windows. "
        f"Of the other {len(rows) - 44}, 100 % are within tolerance."
    )
    assert (told in found.why) == is_said


@pytest.mark.parametrize(
    ("off_s", "said"), [(-8.1, "8.1 s ahead of the ECG's"), (2.0, "2.0 s behind"), (0.4, "")]
)
def test_lateness_that_is_the_clocks_is_said_to_be(
    result: SessionResult, off_s: float, said: str
) -> None:
    band = result.bands[0]
    first = band.sources[0]
    table = first.causes.windows
    off = table.with_columns(
        clock_offset_s=np.full(len(table), off_s), clock_within_s=np.full(len(table), 0.3)
    )
    moved = replace(first, causes=replace(first.causes, windows=off))
    told = findings(replace(result, bands=(replace(band, sources=(moved,)),))).bands[0].overall
    assert ("Its light shows its clock to be" in told) == bool(said)
    assert said in told


def test_few_windows_are_too_little_to_tell(result: SessionResult) -> None:
    name, rows = longest_activity(result)
    error = np.full(len(result.windows), np.nan)
    error[rows[: FEW_WINDOWS - 1]] = 0.0
    found = told_of(rescored(result, error), name)
    assert found.grade == "few"
    assert f"only {FEW_WINDOWS - 1} windows" in found.numbers
    assert any("gave no heart rate in" in line for line in found.why)


def test_an_activity_whose_interval_holds_no_trust_and_trust_is_too_short(
    result: SessionResult,
) -> None:
    told = set()
    for error_bpm in (0.0, 30.0):
        (band,) = findings(rescored(result, np.full(len(result.windows), error_bpm))).bands
        for one in band.activities:
            said = re.match(r"\d+ \((\d+) to (\d+)\) %", one.numbers)
            assert said is not None
            ends = {grade_of(float(end) / 100.0, 1.0) for end in said.groups()}
            unsure = one.grade != "few" and ends == {"poor", "good"}
            assert ("Too short for a firm grade" in one.numbers) == unsure
            told.add("Too short for a firm grade" in one.numbers)
    assert told == {True, False}


def test_what_failed_comes_first_with_its_causes(result: SessionResult) -> None:
    told = findings(result)
    for band in told.bands:
        grades = [GRADES.index(one.grade) for one in band.activities]
        assert grades == sorted(grades)
        for one in band.activities:
            reasons = [
                line for line in one.why if line.startswith(("Main cause", "Only", "No window"))
            ]
            assert len(reasons) == (one.grade in ("fair", "poor"))


def test_causes_are_counted_within_the_activity(result: SessionResult) -> None:
    name, rows = longest_activity(result)
    error = np.zeros(len(result.windows))
    error[rows] = 30.0
    changed = rescored(result, error)
    cause = np.full(len(result.windows), "shaking", dtype="<U16")
    n = len(rows)
    cause[rows[: n // 2]] = "tracking lag"
    cause[rows[-n // 10 :]] = "unexplained"
    source = changed.bands[0].sources[0]
    causes = replace(source.causes, windows=source.causes.windows.with_columns(cause=cause))
    band = replace(changed.bands[0], sources=(replace(source, causes=causes),))
    found = told_of(replace(changed, bands=(band,)), name)
    (why,) = (line for line in found.why if line.startswith("Main cause"))
    late, unknown = 100 * (n // 2) / n, 100 * len(rows[-n // 10 :]) / n
    assert why.startswith(f"Main causes: it was right but late (tracking lag, {late:.0f} %);")
    assert f"Of {n} windows outside tolerance, {unknown:.0f} % remain unexplained" in why


def test_a_second_cause_is_named_if_it_matters_and_what_is_left_is_always_said() -> None:
    told = shares_told({"shaking": 0.97, "tracking lag": 0.03}, "Of 40 windows")
    assert told == (
        "Main cause: vibration hid the pulse (shaking, 97 %). Of 40 windows, none remains "
        "unexplained."
    )
    told = shares_told({UNEXPLAINED: 0.6, "shaking": 0.3, "tracking lag": 0.1}, "Of 40 windows")
    assert told.startswith("Of 40 windows, 60 % remain unexplained. Named most often: vibration")
    assert told.endswith("(tracking lag, 10 %).")


def test_every_cause_has_a_colour() -> None:
    assert set(CAUSE_COLOURS) == {cause.name for cause in CAUSES} | {UNEXPLAINED}


def test_limits_are_said(result: SessionResult) -> None:
    text = "\n".join(findings(result).lines())
    assert "one session" in text
    assert "at least five sessions per activity" in text
    assert "no wrist recording" in findings(replace(result, bands=())).lines()[-1]


def test_untrusted_time_is_said(result: SessionResult) -> None:
    trusted = np.ones(len(result.windows), dtype=bool)
    trusted[:30] = False
    doubtful = replace(result, windows=result.windows.with_columns(trusted=trusted))
    n, share = len(trusted), 100 * 30 / len(trusted)
    assert f"not trusted in 30 of its {n} windows ({share:.0f} %)" in findings(doubtful).reference
    nowhere = result.windows.with_columns(
        trusted=np.zeros(len(trusted), dtype=bool), reason=np.full(len(trusted), "flat line")
    )
    assert (
        "cannot be trusted anywhere (flat line)"
        in findings(replace(result, windows=nowhere)).reference
    )


def test_a_session_without_activities_is_judged_as_a_whole(result: SessionResult) -> None:
    def whole(source: SourceResult) -> SourceResult:
        return replace(source, by_activity=source.by_activity[-1:])

    def without(band: BandResult) -> BandResult:
        return replace(band, sources=tuple(whole(source) for source in band.sources))

    assert result.sources[0].by_activity[-1].activity == ALL
    told = findings(replace(result, bands=tuple(without(band) for band in result.bands)))
    (whole_session,) = told.bands[0].activities
    assert whole_session.activity == "the whole session"
    # Its numbers stand on its card, and only there.
    assert "windows within tolerance" in whole_session.numbers
    assert "windows" not in told.bands[0].overall


def test_activities_are_half_open() -> None:
    activities = (Activity("lift", 0.0, 10.0), Activity("ride", 10.0, 20.0))
    assert [activity_at(activities, at_s) for at_s in (0.0, 10.0, 20.0)] == ["lift", "ride", ""]


@pytest.mark.parametrize(
    ("seconds", "text"), [(45.0, "45 s"), (60.0, "1 min"), (200.0, "3 min 20 s")]
)
def test_durations_read_as_a_person_says_them(seconds: float, text: str) -> None:
    assert duration_text(seconds) == text


@pytest.mark.parametrize(
    ("within", "grade"), [(0.949, "good"), (0.944, "fair"), (0.796, "fair"), (0.794, "poor")]
)
def test_the_grade_agrees_with_the_percentage_that_is_shown(within: float, grade: str) -> None:
    assert grade_of(within, 1.0) == grade


def test_what_seldom_gives_a_heart_rate_is_not_trusted() -> None:
    assert [grade_of(0.99, coverage) for coverage in (0.8, 0.79)] == ["good", "fair"]


def test_rises_without_a_heart_rate_are_not_called_missed(result: SessionResult) -> None:
    source = result.bands[0].sources[0]
    rises = [r for r in source.events if r.event.kind == "rise"]
    blind = replace(rises[0], detected=False, seen_share=np.nan, late_s=np.nan)
    events = tuple(blind if r is rises[0] else r for r in source.events)
    band = replace(result.bands[0], sources=(replace(source, events=events),))
    text = "\n".join(findings(replace(result, bands=(band,))).lines())
    assert re.search(r"It gave no heart rate during (the only rise|1 of \d+ rises)", text)
    assert "1 of 1" not in text


def test_light_that_passes_no_more_often_than_chance_is_not_said_to_carry_the_pulse(
    result: SessionResult,
) -> None:
    off = rescored(result, np.full(len(result.windows), 20.0))
    activity, rows = longest_activity(off)
    chance = np.full(len(off.windows), 0.5)
    chance[rows[0]] = 0.01
    dark = off.bands[0].oracle.with_columns(
        oracle_chance=chance, oracle_bpm=np.full(chance.size, 100.0)
    )
    told = told_of(replace(off, bands=(replace(off.bands[0], oracle=dark),)), activity).why
    seemed = [line for line in told if line.startswith("The light seemed to show the pulse in 2 (")]
    assert len(seemed) == 1
    assert seemed[0].endswith("no more than the 5 % that pass by chance.")
    assert not any("missed it" in line for line in told)


def test_a_rise_at_the_end_of_the_search_may_be_later_still() -> None:
    assert rises_told(1, 1, [20.0]) == ["It saw the only rise in heart rate, at least 20 s late."]
    assert rises_told(0, 2, []) == ["It saw none of 2 rises in heart rate."]
    assert rises_told(2, 3, [4.0, 5.0]) == [
        "It saw 2 of 3 rises in heart rate, a median of 4 s late."
    ]


def test_how_much_of_a_rise_was_climbed_is_said_where_the_peak_was_missed() -> None:
    assert rises_told(2, 3, [4.0, 5.0], [0.3, 0.6, 0.7]) == [
        "It saw 2 of 3 rises in heart rate, a median of 4 s late; it climbed 60 % of their height "
        "(median)."
    ]
    assert rises_told(0, 1, [], [0.2]) == [
        "It missed the only rise in heart rate; it climbed 20 % of its height."
    ]
    assert "climbed" not in rises_told(2, 2, [0.0, 0.0], [0.95, 1.0])[0]


def test_how_late_is_said_where_it_was_late(result: SessionResult) -> None:
    name, rows = longest_activity(result)
    error = np.zeros(len(result.windows))
    error[rows] = 30.0
    changed = rescored(result, error)
    cause = np.where(error > 0.0, "tracking lag", "")
    late_s = np.full(error.size, 17.0)
    source = changed.bands[0].sources[0]
    told = {}
    for few in (0, len(rows) - 1):
        cause[rows[:few]] = "shaking"
        table = source.causes.windows.with_columns(cause=cause.copy(), late_s=late_s)
        causes = replace(source.causes, windows=table)
        band = replace(changed.bands[0], sources=(replace(source, causes=causes),))
        told[few] = told_of(replace(changed, bands=(band,)), name).why
    assert "Where it was late, it trailed the heart by 17 s (median)." in told[0]
    assert not any("trailed" in line for line in told[len(rows) - 1])


@pytest.mark.parametrize(
    ("cause", "held_s", "said"),
    [
        ("motion swamping", 80.0, True),
        ("motion swamping", 8.0, False),
        ("held reading", 80.0, False),
    ],
)
def test_a_number_that_stood_is_said_whatever_the_cause(
    result: SessionResult, cause: str, held_s: float, said: bool
) -> None:
    name, rows = longest_activity(result)
    error = np.zeros(len(result.windows))
    error[rows] = 30.0
    changed = rescored(result, error)
    source = changed.bands[0].sources[0]
    table = source.causes.windows.with_columns(
        cause=np.where(error > 0.0, cause, ""), held_s=np.full(error.size, held_s)
    )
    source = replace(source, causes=replace(source.causes, windows=table))
    band = replace(changed.bands[0], sources=(source,))
    why = told_of(replace(changed, bands=(band,)), name).why
    stood = "In 100 % of these windows it stood on one number for 20 s or more."
    assert (stood in why) == said


def test_light_is_said_to_carry_the_pulse_with_or_without_movement_taken_out(
    result: SessionResult,
) -> None:
    off = rescored(result, np.full(len(result.windows), 20.0))
    activity, _ = longest_activity(off)
    n = len(off.windows)
    for explained, told in (
        (0.5, "the light, once movement was taken out of it, carried the pulse"),
        (np.nan, "the light carried the pulse but"),
    ):
        oracle = off.bands[0].oracle.with_columns(
            oracle_chance=np.full(n, 0.01),
            oracle_bpm=np.full(n, 300.0),
            acc_explained_share=np.full(n, explained),
        )
        band = replace(off.bands[0], oracle=oracle)
        why = told_of(replace(off, bands=(band,)), activity).why
        assert any(told in line for line in why)


def test_a_clock_that_nobody_stated_is_said_beside_the_error(result: SessionResult) -> None:
    band = result.bands[0]
    unknown = replace(band, recording=replace(band.recording, clock_known=False))
    first, unstated = (
        findings(replace(result, bands=(each,))).bands[0].overall for each in (band, unknown)
    )
    assert "palpate align" not in first
    assert unstated.startswith(first)
    assert "part of the error may be the clock's" in unstated


def motion_told(intensity_g: np.ndarray, error_bpm: np.ndarray) -> str:
    """Return the sentence for half an hour of windows in an order of chance."""
    mixed = np.random.default_rng(0).permutation(intensity_g.size)
    names = np.full(intensity_g.size, "track")
    return motion_sentence(
        dose_response(
            intensity_g[mixed], error_bpm[mixed], names, tolerance_bpm=5.0, n_resamples=40
        )
    )


STEADY_G = np.linspace(0.0, 1.0, 900)


def test_error_within_tolerance_at_all_motion_is_said_only_where_it_is() -> None:
    told = motion_told(STEADY_G, np.full(900, 2.0))
    assert told.endswith("stays within tolerance at every motion intensity seen.")
    seldom = np.where(np.arange(900) % 9 == 0, 12.0, 2.0)
    assert "does not say where it fails" in motion_told(STEADY_G, seldom)
    # Without motion 20, else 0.6: a curve that may not fall lies at 4.5 throughout.
    told = motion_told(STEADY_G, np.where(STEADY_G < 0.2, 20.0, 0.6))
    assert "within" not in told
    assert told.startswith(
        "Mean absolute error is outside the tolerance of 5 bpm at some motion intensities, but not "
        "from one on: it is largest with 20.0 bpm"
    )


def test_error_outside_tolerance_at_all_motion_is_said_with_its_rise() -> None:
    told = motion_told(STEADY_G, 8.0 + 32.0 * STEADY_G)
    assert "grows with motion, from 10 to 38 bpm" in told
    assert "does not explain" not in told
    assert "at every motion intensity seen and hardly grows with it" in motion_told(
        STEADY_G, np.full(900, 12.0)
    )
    told = motion_told(STEADY_G, np.where(STEADY_G < 0.2, 40.0, 0.6))
    assert "does not grow with motion intensity: it is largest with 40.0 bpm" in told


def test_error_that_leaves_tolerance_twice_is_said_to() -> None:
    rising = 20.0 * np.maximum(STEADY_G - 0.4, 0.0)
    told = motion_told(STEADY_G, rising)
    assert re.search(r"leaves the tolerance of 5 bpm at a motion intensity of 6\d\d mg", told)
    assert "but" not in told
    told = motion_told(STEADY_G, np.where(STEADY_G < 0.1, 15.0, rising))
    assert re.search(r"but it is also 15.0 bpm around \d\d mg", told)


def test_error_that_comes_back_within_tolerance_is_said_to() -> None:
    """A curve that may not fall stays outside: the bins beyond say otherwise."""
    hump = np.where((STEADY_G > 0.3) & (STEADY_G < 0.7), 30.0, 1.0)
    told = motion_told(STEADY_G, hump)
    assert "leaves the tolerance of 5 bpm" in told
    assert re.search(r"but it is only 1.0 bpm around [7-9]\d\d mg\.", told)


def test_an_interval_that_is_the_whole_range_is_called_so() -> None:
    dose = dose_response(
        STEADY_G, 8.0 * STEADY_G, np.full(900, "track"), tolerance_bpm=5.0, n_resamples=40
    )
    wide = replace(dose, limit_low=float(dose.grid[0]), limit_high=float("nan"))
    assert "(95 % interval the whole range seen)" in motion_sentence(wide)


def test_excess_is_not_told_of_an_activity_that_moved_unlike_the_others(
    result: SessionResult,
) -> None:
    name, rows = longest_activity(result)
    n = len(result.windows)
    error = np.where(np.isin(np.arange(n), rows), 30.0, 4.0)
    changed = rescored(result, error)
    names = np.where(np.isin(np.arange(n), rows), name, "other")
    for least_g, told in ((0.0, "more than the other activities"), (2.0, "moved unlike all")):
        motion_g = np.linspace(0.0, 1.0, n) % 0.1 + np.where(names == name, least_g, 0.0)
        dose = dose_response(motion_g, error, names, tolerance_bpm=5.0, n_resamples=40)
        source = replace(changed.bands[0].sources[0], dose=dose)
        band = replace(changed.bands[0], sources=(source,))
        why = " ".join(told_of(replace(changed, bands=(band,)), name).why)
        assert told in why
        assert ("26 bpm" in why) == (least_g == 0.0)
