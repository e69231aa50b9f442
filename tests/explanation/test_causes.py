"""Each cause on constructed evidence, ties, the registry, and how the verdicts read."""

from __future__ import annotations

import re

import numpy as np
import pytest

from palpate.explanation import CAUSES, Cause, attribute_causes
from palpate.explanation.causes import (
    LEAST_MARGIN,
    LEAST_SCORE,
    UNEXPLAINED,
    score_column,
)
from palpate.explanation.sentences import number_text
from palpate.signals import WindowTable

NOTHING = {
    "estimate_bpm": 121.0,
    "reference_bpm": 148.0,
    "error_bpm": -27.0,
    "tolerance_bpm": 14.8,
    "oracle_snr_db": 20.0,
    "acc_explained_share": 0.0,
    "swing_rms_g": 0.01,
    "shake_rms_g": 0.01,
    "periodicity": 0.0,
    "cadence_per_min": np.nan,
    "cadence_bpm": np.nan,
    "cadence_multiple": np.nan,
    "level_move": 0.5,
    "level_unusual": 1.0,
    "swing_share": 1.0,
    "clipped_share": 0.0,
    "missing_share": 0.0,
    "irregularity": 0.02,
    "agreement": 1.0,
    "resemblance": 0.98,
    "disagreement_bpm": 0.0,
    "reference_jump_bpm": 0.0,
    "clock_offset_s": 0.05,
    "clock_within_s": 0.3,
    "repaired_bpm": -27.0,
    "late_s": 1.0,
    "late_bpm": -27.0,
    "late_gain": 0.0,
    "held_bpm": 0.0,
    "held_s": 4.0,
    "held_from_bpm": 148.0,
    "held_carried_share": 1.0,
    "held_prominence_db": 15.0,
    "harmonic_share": 0.0,
    "others_bpm": 30.0,
    "estimate_snr_db": 0.0,
    "reference_snr_db": 20.0,
    "estimate_lost_db": 0.0,
    "cancelling_gain_db": 0.0,
}
"""A window far outside tolerance, about which nothing else is out of the ordinary."""
MOVING = {"swing_rms_g": 0.3, "acc_explained_share": 0.86}
SHOWN = {
    "cadence lock": {
        **MOVING,
        "periodicity": 0.8,
        "cadence_per_min": 120.0,
        "cadence_bpm": 1.0,
        "cadence_multiple": 1.0,
    },
    "motion swamping": {**MOVING, "oracle_snr_db": 3.0},
    "shaking": {"swing_rms_g": 0.1, "shake_rms_g": 0.6, "oracle_snr_db": 1.0},
    "contact change": {"level_move": 6.0, "oracle_snr_db": 2.0},
    "low perfusion": {"swing_share": 0.15, "oracle_snr_db": 9.0},
    "tracking lag": {"late_s": 12.0, "late_bpm": -1.0, "late_gain": 0.9},
    "held reading": {
        "held_s": 80.0,
        "held_from_bpm": 121.0,
        "held_bpm": 22.0,
        "held_carried_share": 0.93,
    },
    "clock error": {"clock_offset_s": -9.4, "repaired_bpm": 2.0},
    "harmonic error": {
        "estimate_bpm": 74.5,
        "error_bpm": -73.5,
        "late_bpm": -73.5,
        "repaired_bpm": -73.5,
        "harmonic_share": 1.0,
    },
    "irregular rhythm": {"irregularity": 0.6, "oracle_snr_db": 5.0},
    "reference fault": {
        "agreement": 0.5,
        "disagreement_bpm": -24.0,
        "dissenter": "slope",
        "estimate_snr_db": 18.0,
        "reference_snr_db": 2.0,
        "oracle_snr_db": 2.0,
        "others_bpm": 1.0,
    },
}


def table(*rows: dict[str, object], status: str = "outside") -> WindowTable:
    full = [{**NOTHING, "dissenter": "", **row} for row in rows]
    start_s = 2.0 * np.arange(len(rows))
    columns = {name: np.array([row[name] for row in full]) for name in full[0]}
    return WindowTable(start_s, start_s + 8.0, {**columns, "status": np.full(len(rows), status)})


def test_every_cause_has_a_case_here() -> None:
    assert set(SHOWN) == {cause.name for cause in CAUSES}


@pytest.mark.parametrize("name", sorted(SHOWN))
def test_its_evidence_names_a_cause(name: str) -> None:
    found = attribute_causes(table(SHOWN[name]))
    assert found.windows["cause"].tolist() == [name]
    assert found.windows["cause_score"][0] >= LEAST_SCORE
    assert found.windows["cause_margin"][0] >= LEAST_MARGIN


def test_without_evidence_a_window_stays_unexplained() -> None:
    found = attribute_causes(table({}))
    assert found.windows["cause"].tolist() == [UNEXPLAINED]
    assert np.all(found.scores == 0.0)


def test_two_causes_that_do_not_explain_each_other_are_a_tie() -> None:
    found = attribute_causes(table({**SHOWN["harmonic error"], **SHOWN["contact change"]}))
    assert found.windows["cause"].tolist() == [UNEXPLAINED]
    assert found.windows["cause_margin"].tolist() == [0.0]
    assert found.sentence(0) == (
        "Estimate 74 bpm, reference 148; harmonic error (score 1.00) and contact change (1.00) fit "
        "about equally well."
    )


@pytest.mark.parametrize(
    ("disagreement_bpm", "name"), [(-27.0, "reference fault"), (20.0, "cadence lock")]
)
def test_a_detector_that_counts_the_estimate_speaks_against_the_reference(
    disagreement_bpm: float, name: str
) -> None:
    doubted = {"agreement": 0.5, "dissenter": "slope", "disagreement_bpm": disagreement_bpm}
    found = attribute_causes(table({**SHOWN["cadence lock"], **doubted}))
    assert found.windows["cause"].tolist() == [name]


@pytest.mark.parametrize(("reference_snr_db", "is_fault"), [(-4.0, True), (14.0, False)])
def test_twice_a_rate_that_the_light_does_not_hold_is_an_ecg_that_misses_beats(
    reference_snr_db: float, is_fault: bool
) -> None:
    missed = {
        "estimate_bpm": 126.0,
        "reference_bpm": 63.0,
        "error_bpm": 63.0,
        "late_bpm": 63.0,
        "repaired_bpm": 63.0,
        "irregularity": 0.8,
        "estimate_snr_db": 22.0,
        "reference_snr_db": reference_snr_db,
        "oracle_snr_db": reference_snr_db,
        "tolerance_bpm": 6.3,
        "others_bpm": 6.0,
    }
    irregular, regular = missed, {**missed, "irregularity": 0.02, "disagreement_bpm": -50.0}
    found = attribute_causes(table(irregular, {**regular, "harmonic_share": 1.0}))
    assert (found.windows["cause"] == "reference fault").tolist() == [is_fault, is_fault]


@pytest.mark.parametrize(
    ("share", "name"), [(0.5, "motion swamping"), (0.625, UNEXPLAINED), (0.9, "harmonic error")]
)
def test_a_stray_estimate_that_lasts_is_no_lock(share: float, name: str) -> None:
    stray = {**SHOWN["motion swamping"], **SHOWN["harmonic error"], "harmonic_share": share}
    found = attribute_causes(table({**stray, "oracle_snr_db": 3.0}))
    assert found.windows["cause"].tolist() == [name]


def test_a_clock_that_repairs_the_error_leaves_nothing_to_blame() -> None:
    found = attribute_causes(table({**SHOWN["cadence lock"], **SHOWN["clock error"]}))
    assert found.windows["cause"].tolist() == ["clock error"]
    assert found.windows[score_column("cadence lock")][0] == 0.0
    found = attribute_causes(table({**SHOWN["reference fault"], **SHOWN["clock error"]}))
    assert found.windows["cause"].tolist() == ["clock error"]


def test_an_offset_inside_its_own_interval_is_no_clock_error() -> None:
    row = {**SHOWN["clock error"], "clock_offset_s": -1.5, "clock_within_s": 1.6}
    assert attribute_causes(table(row)).windows[score_column("clock error")][0] == 0.0


def test_a_held_value_is_no_lag() -> None:
    found = attribute_causes(table({**SHOWN["tracking lag"], "held_bpm": 12.0}))
    assert found.windows["cause"].tolist() == [UNEXPLAINED]


def test_movement_in_light_that_shows_the_pulse_does_not_excuse_a_held_value() -> None:
    for name in ("motion swamping", "shaking"):
        found = attribute_causes(table({**SHOWN[name], **SHOWN["held reading"]}))
        assert found.windows["cause"].tolist() == ["held reading"]
        assert found.windows[score_column(name)][0] == 0.0


@pytest.mark.parametrize("unseen", [{"held_carried_share": 0.5}, {"held_prominence_db": 3.0}])
@pytest.mark.parametrize("name", ["motion swamping", "shaking", "contact change", "low perfusion"])
def test_a_value_held_in_light_without_the_pulse_is_the_lights_fault(
    name: str, unseen: dict[str, float]
) -> None:
    found = attribute_causes(table({**SHOWN["held reading"], **SHOWN[name], **unseen}))
    assert found.windows["cause"].tolist() == [name]


@pytest.mark.parametrize(
    "other",
    [
        {"held_s": 10.0},  # no longer than smoothing
        {"held_from_bpm": 141.0},  # the reference has moved by less than half of tolerance
        {"held_from_bpm": 160.0},  # it came nearer meanwhile
        {"held_bpm": 4.0},  # a late estimate would stand as well
        {"estimate_snr_db": 25.0},  # the light shows the estimate
    ],
)
def test_standing_alone_is_no_held_reading(other: dict[str, float]) -> None:
    found = attribute_causes(table({**SHOWN["held reading"], **other}))
    assert found.windows[score_column("held reading")].tolist() == [0.0]


def test_a_rhythm_does_not_excuse_a_hold_away_from_it() -> None:
    row = {**SHOWN["motion swamping"], **SHOWN["held reading"], "held_prominence_db": 3.0}
    found = attribute_causes(table(row, {**row, "periodicity": 0.8, "cadence_bpm": 20.0}))
    assert found.windows["cause"].tolist() == ["motion swamping", "held reading"]


@pytest.mark.parametrize("name", ["cadence lock", "clock error", "harmonic error"])
def test_a_held_reading_leaves_to_others_what_they_explain(name: str) -> None:
    found = attribute_causes(table({**SHOWN["held reading"], **SHOWN[name]}))
    assert found.windows["cause"].tolist() == [name]


def test_a_held_reading_scores_by_its_weakest_sign() -> None:
    rows = [{"held_s": 16.0}, {"held_carried_share": 0.6}, {"held_prominence_db": 5.0}]
    found = attribute_causes(table(*({**SHOWN["held reading"], **row} for row in rows)))
    np.testing.assert_allclose(found.windows[score_column("held reading")], [0.6, 0.4, 0.25])


def test_only_windows_outside_tolerance_have_a_cause() -> None:
    for status in ("within", "reference untrusted", "no estimate"):
        found = attribute_causes(table(SHOWN["shaking"], status=status))
        assert found.windows["cause"].tolist() == [""]
        assert np.isnan(found.scores).all()
        assert found.sentence(0) == ""


def test_counts_by_hand() -> None:
    found = attribute_causes(table(SHOWN["shaking"], SHOWN["shaking"], SHOWN["clock error"], {}))
    counts = found.counts()
    assert (counts["shaking"], counts["clock error"], counts[UNEXPLAINED]) == (2, 1, 1)
    assert sum(counts.values()) == 4
    assert list(counts)[-1] == UNEXPLAINED


def test_a_band_without_sensors_stays_unexplained() -> None:
    start_s = np.zeros(1)
    bare = {"estimate_bpm": 90.0, "reference_bpm": 130.0, "error_bpm": -40.0, "tolerance_bpm": 13.0}
    columns = {name: np.array([value]) for name, value in bare.items()}
    alone = WindowTable(start_s, start_s + 8.0, {**columns, "status": np.array(["outside"])})
    found = attribute_causes(alone)
    assert found.windows["cause"].tolist() == [UNEXPLAINED]
    assert found.sentence(0) == (
        "Estimate 90 bpm, reference 130; nothing measured here speaks for a cause."
    )


def test_a_cause_is_added_by_one_record() -> None:
    loose = Cause(
        "loose strap",
        lambda e: np.asarray(e["strap_gap_mm"] > 5.0, dtype=np.float64),
        lambda row: f"the strap is {row['strap_gap_mm']:.0f} mm loose",
        plainly="the strap was too loose",
    )
    rows = table(SHOWN["shaking"], {})
    rows = rows.with_columns(strap_gap_mm=np.array([0.0, 7.0]))
    found = attribute_causes(rows, causes=(*CAUSES, loose))
    assert found.windows["cause"].tolist() == ["shaking", "loose strap"]
    assert found.sentence(1) == "The strap is 7 mm loose."


def test_a_very_long_delay_gives_way_to_what_else_explains_the_rate() -> None:
    """Of delays beyond half a minute one fits a rate that is locked elsewhere by chance."""
    locked, late = SHOWN["cadence lock"], SHOWN["tracking lag"]
    rows = [{**locked, **late}, {**locked, **late, "late_s": 38.0}, {**late, "late_s": 38.0}]
    found = attribute_causes(table(*rows))
    assert found.windows["cause"].tolist() == ["tracking lag", "cadence lock", "tracking lag"]


def test_light_that_motion_hardly_explains_is_told_by_what_taking_it_out_does() -> None:
    row = {**SHOWN["motion swamping"], "acc_explained_share": 0.02}
    row |= {"estimate_lost_db": 6.2, "cancelling_gain_db": 7.1}
    found = attribute_causes(table(row))
    assert found.windows["cause"].tolist() == ["motion swamping"]
    assert (
        "without what follows the accelerometer the estimate loses 6 dB and the true rate gains 7"
    ) in found.sentence(0)
    more = attribute_causes(table({**row, "acc_explained_share": 0.3}))
    assert "follows the accelerometer (30 % of the light's in-band power) the" in more.sentence(0)


def test_thresholds_can_be_set() -> None:
    row = {**SHOWN["motion swamping"], "oracle_snr_db": 9.4}  # 0.65 of the way to sure
    assert attribute_causes(table(row)).windows["cause"].tolist() == ["motion swamping"]
    strict = attribute_causes(table(row), least_score=0.7)
    assert strict.windows["cause"].tolist() == [UNEXPLAINED]
    assert strict.sentence(0) == (
        "Estimate 121 bpm, reference 148; no cause fits well enough (best: motion swamping, score "
        "0.65)."
    )


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        (
            "cadence lock",
            "Estimate 121 bpm sits on cadence 120/min, reference 148; 86 % of the light's in-band "
            "power follows the accelerometer.",
        ),
        (
            "clock error",
            "Estimate 121 bpm, reference 148; the light shows that the band's clock is 9.4 s "
            "ahead, and on the right clock the error is +2 bpm.",
        ),
        (
            "tracking lag",
            "Estimate 121 bpm, reference 148; it matches the reference 12 s earlier (then the "
            "error is −1 bpm).",
        ),
        (
            "held reading",
            "It stood at 121 bpm for 80 s, while the reference rose from 121 to 148 here; the "
            "light carried the pulse in 93 % of that time.",
        ),
        (
            "harmonic error",
            "Estimate 74 bpm, reference 148: half the rate (ratio 0.50), which 100 % of the "
            "windows outside tolerance around here show.",
        ),
        (
            "shaking",
            "Estimate 121 bpm, reference 148; the wrist vibrates with 0.60 g above 4 Hz (0.10 g "
            "below), and the true rate stands 1 dB over the rest.",
        ),
        (
            "low perfusion",
            "Estimate 121 bpm, reference 148; the light swings 0.15 times as high as usual while "
            "the wrist is still.",
        ),
        (
            "irregular rhythm",
            "Estimate 121 bpm, reference 148; successive RR intervals differ by 60 % of their mean "
            "(root mean square).",
        ),
    ],
)
def test_a_verdict_reads_as_a_sentence_with_its_numbers(name: str, sentence: str) -> None:
    assert attribute_causes(table(SHOWN[name])).sentence(0) == sentence


@pytest.mark.parametrize(
    ("value", "digits", "signed", "text"),
    [
        (-4.6, 0, False, "−5"),
        (-0.3, 0, False, "0"),
        (-0.04, 1, False, "0.0"),
        (-0.3, 0, True, "+0"),
        (-1.26, 1, True, "−1.3"),
        (2.4, 0, True, "+2"),
    ],
)
def test_numbers_have_a_true_minus_and_no_negative_zero(
    value: float, digits: int, signed: bool, text: str
) -> None:
    assert number_text(value, digits, signed=signed) == text


@pytest.mark.parametrize("name", sorted(SHOWN))
def test_sentences_hold_no_hyphen_for_a_minus(name: str) -> None:
    for snr_db, text in ((-0.3, "0 dB"), (-7.0, "−7 dB")):
        lines = {"oracle_snr_db": snr_db, "reference_snr_db": snr_db}
        said = attribute_causes(table({**SHOWN[name], **lines})).sentence(0)
        assert not re.search(r"(?<![\w−])-\d", said)
        assert text in said or "dB" not in said


@pytest.mark.parametrize("name", sorted(SHOWN))
def test_no_sentence_shows_an_undefined_number(name: str) -> None:
    text = attribute_causes(table(SHOWN[name])).sentence(0)
    assert "nan" not in text
    assert text[0].isupper()
    assert text.endswith(".")


def test_any_evidence_gives_scores_between_nothing_and_all() -> None:
    rng = np.random.default_rng(5)
    values = {name: rng.uniform(-200.0, 200.0, 5000) for name in NOTHING}
    for column in values.values():
        column[rng.random(5000) < 0.2] = np.nan
        column[rng.random(5000) < 0.1] = 0.0
    start_s = 2.0 * np.arange(5000)
    columns = {**values, "status": np.full(5000, "outside")}
    found = attribute_causes(WindowTable(start_s, start_s + 8.0, columns))
    assert np.all((found.scores >= 0.0) & (found.scores <= 1.0))
    assert set(found.windows["cause"]) <= {UNEXPLAINED, *(cause.name for cause in CAUSES)}
    assert all(found.sentence(window) for window in range(0, 5000, 50))
