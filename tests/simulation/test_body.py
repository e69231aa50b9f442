import numpy as np
import pytest

from palpate.simulation import Bout
from palpate.simulation.body import LIFT_EVERY_S, LIFT_LASTS_S, simulate_body

BOUTS = tuple(
    Bout(activity=movement, duration_s=120.0, demand_bpm=100.0, movement=movement)
    for movement in ("still", "stepping", "lifting", "gravel")
)
TIME_S = np.arange(-10.0, 490.0, 0.05)


def test_cadence_is_where_there_is_a_rhythm_and_its_phase_is_the_integral():
    body = simulate_body(1, BOUTS, TIME_S)
    bout = np.clip(TIME_S // 120.0, 0, 3)
    rhythmic = (bout == 1) | (bout == 3)
    np.testing.assert_array_equal(np.isfinite(body.per_min), rhythmic)
    steps = (TIME_S >= 130.0) & (TIME_S < 230.0)
    turns = np.ptp(body.phase_rad[steps]) / (2.0 * np.pi)
    assert turns == pytest.approx(
        np.mean(body.per_min[steps]) * np.ptp(TIME_S[steps]) / 60.0, rel=0.01
    )
    assert 0.005 < np.std(body.per_min[steps]) / np.mean(body.per_min[steps]) < 0.04


def test_crates_are_lifted_one_after_another_within_the_lifting():
    body = simulate_body(1, BOUTS, TIME_S)
    assert body.lift_s[0] >= 240.0
    assert body.lift_s[-1] < 360.0 - LIFT_LASTS_S
    gaps_s = np.diff(body.lift_s)
    assert np.all((gaps_s >= LIFT_EVERY_S[0]) & (gaps_s <= LIFT_EVERY_S[1]))
    assert simulate_body(1, BOUTS[:2], TIME_S).lift_s.size == 0
