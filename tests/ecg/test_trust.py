"""The verdict: every reason, one at a time, and which comes first."""

from __future__ import annotations

import numpy as np
import pytest

from palpate.ecg.quality import NOISE_LIMITS, SIGNAL_LIMITS
from palpate.ecg.trust import REASONS, Evidence, verdict
from palpate.signals import WindowTable

CLEAN = {**dict.fromkeys(SIGNAL_LIMITS, 0.0), **dict.fromkeys(NOISE_LIMITS, 0.01), "n_beats": 12}


def judged(
    columns: dict[str, float] | None = None,
    *,
    support: int = 2,
    regular: bool = True,
    voted: bool = True,
    miscounted: bool = False,
    rivalled: bool = False,
    agreement_around: float = 1.0,
) -> str:
    """Return the verdict on one window, clean and undisputed but for what is given."""
    values = {**CLEAN, **(columns or {})}
    table = WindowTable(
        np.array([0.0]), np.array([8.0]), {name: np.array([v]) for name, v in values.items()}
    )
    evidence = Evidence(
        support=np.array([support]),
        regular=np.array([regular]),
        voted=np.array([voted]),
        miscounted=np.array([miscounted]),
        rivalled=np.array([rivalled]),
        agreement_around=np.array([agreement_around]),
    )
    return str(verdict(table, evidence)[0])


@pytest.mark.parametrize(
    ("column", "value", "reason"),
    [
        ("missing_share", 0.07, "missing"),
        ("flat_share", 0.13, "flat"),
        ("clipped_share", 0.26, "saturated"),
        ("n_beats", 2, "too few beats"),
    ],
)
def test_a_window_without_enough_signal_says_so_whatever_else_holds(
    column: str, value: float, reason: str
) -> None:
    assert judged({column: value}) == reason
    assert judged({column: value}, support=0, miscounted=True) == reason


@pytest.mark.parametrize(
    ("column", "reason"),
    [
        ("baseline_ratio", "baseline wander"),
        ("mains_ratio", "mains"),
        ("muscle_ratio", "muscle noise"),
        ("motion_ratio", "electrode motion"),
    ],
)
def test_noise_names_a_doubt_and_makes_none(column: str, reason: str) -> None:
    loud = {column: 1.5 * NOISE_LIMITS[column]}
    assert judged(loud) == ""
    assert judged(loud, support=0) == reason
    # The largest for its limit names the window.
    others = {name: 1.2 * limit for name, limit in NOISE_LIMITS.items()}
    assert judged({**others, **loud}, support=0) == reason


@pytest.mark.parametrize(
    ("column", "reason"), [("mains_ratio", "mains"), ("muscle_ratio", "muscle noise")]
)
def test_a_steady_wave_in_the_qrs_band_is_no_ecg(column: str, reason: str) -> None:
    sine = 1.4826 * np.sqrt(0.5) / 2.0
    assert judged({"motion_ratio": sine, column: 90.0}) == reason
    triangle = 1.4826 * 0.5 / 2.0
    assert judged({"motion_ratio": triangle, column: 90.0}) == ""


def test_both_detectors_are_believed_in_regular_rhythm_even_in_bad_company() -> None:
    assert judged(agreement_around=0.3, voted=False, rivalled=True) == ""


def test_one_detector_is_believed_only_in_regular_rhythm_of_marked_beats() -> None:
    assert judged(support=1) == ""
    assert judged(support=1, regular=False) == "detectors disagree"
    assert judged(support=1, voted=False) == "detectors disagree"
    assert judged(support=0) == "detectors disagree"


def test_irregular_rhythm_is_believed_only_in_clean_undisputed_signal() -> None:
    assert judged(regular=False) == ""
    assert judged(regular=False, agreement_around=0.9) == "irregular in doubt"
    assert judged(regular=False, agreement_around=np.nan) == "irregular in doubt"
    assert judged(regular=False, rivalled=True) == "irregular in doubt"
    assert judged({"baseline_ratio": 2.0}, regular=False) == "baseline wander"


def test_a_beat_missed_or_extra_is_doubted_even_where_all_agree() -> None:
    assert judged(miscounted=True) == "missed or extra beat"


def test_an_undefined_ratio_is_no_noise() -> None:
    assert judged({"mains_ratio": np.nan}, support=0) == "detectors disagree"


def test_every_reason_is_listed_once() -> None:
    assert len(set(REASONS)) == len(REASONS) == 11
