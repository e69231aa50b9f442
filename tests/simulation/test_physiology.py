import numpy as np
import pytest

from palpate.simulation.faults import Ectopy
from palpate.simulation.physiology import (
    COUPLING_SHARE,
    GRID_HZ,
    TAU_FALL_S,
    TAU_RISE_S,
    first_order,
    simulate_heart,
)


@pytest.mark.parametrize(
    ("start_bpm", "demand_bpm", "tau_s"), [(70.0, 150.0, TAU_RISE_S), (150.0, 70.0, TAU_FALL_S)]
)
def test_hunt_2015_time_constant_is_63_percent_of_the_step(start_bpm, demand_bpm, tau_s):
    """Hunt et al. 2015, BioMed Eng OnLine 14:98: 57.5 s rising, 54.4 s falling."""
    rate = first_order(np.full(4000, demand_bpm), step_s=0.1, start_bpm=start_bpm)
    reached = np.interp(tau_s, np.arange(4000) * 0.1, rate)
    assert (reached - start_bpm) / (demand_bpm - start_bpm) == pytest.approx(1.0 - np.exp(-1.0))
    assert (TAU_RISE_S, TAU_FALL_S) == (57.5, 54.4)


def test_a_60_bpm_step_rises_at_first_by_about_one_bpm_per_second():
    rate = first_order(np.full(20, 130.0), step_s=0.1, start_bpm=70.0)
    assert (rate[1] - rate[0]) / 0.1 == pytest.approx(60.0 / TAU_RISE_S, rel=1e-3)


def constant_heart(*, demand_bpm=60.0, duration_s=600.0, faults=()):
    time_s = np.arange(0.0, duration_s, 1.0 / GRID_HZ)
    return simulate_heart(3, time_s, np.full(time_s.size, demand_bpm), faults)


@pytest.mark.parametrize("demand_bpm", [60.0, 120.0, 180.0])
def test_beats_are_as_many_as_the_rate_says(demand_bpm):
    heart = constant_heart(demand_bpm=demand_bpm)
    counted = (heart.beat_s.size - 1) / (heart.beat_s[-1] - heart.beat_s[0]) * 60.0
    assert counted == pytest.approx(np.mean(heart.hr_bpm), rel=2e-3)
    assert counted == pytest.approx(demand_bpm, rel=0.01)


def test_variability_shrinks_with_exertion():
    spread_ms = [
        1e3 * np.std(np.diff(constant_heart(demand_bpm=rate).beat_s)) for rate in (60.0, 120.0)
    ]
    assert 20.0 < spread_ms[0] < 60.0
    assert spread_ms[1] < 0.3 * spread_ms[0]


def test_early_beats_come_early_and_pause_after():
    plain = constant_heart()
    heart = constant_heart(faults=[Ectopy(source="chest", start_s=100.0, end_s=500.0, dose=0.1)])
    early = np.flatnonzero(heart.label == "V")
    inside = np.count_nonzero((plain.beat_s >= 100.0) & (plain.beat_s < 500.0))
    assert early.size / inside == pytest.approx(0.1 / 1.1, abs=0.04)
    assert np.all(np.diff(early) > 1)
    cycle_s = np.diff(plain.beat_s)[early - 1]
    np.testing.assert_allclose(np.diff(heart.beat_s)[early - 1], COUPLING_SHARE * cycle_s)
    rest = np.delete(np.arange(heart.beat_s.size), early)
    np.testing.assert_array_equal(heart.beat_s[rest], plain.beat_s[rest])


def test_an_ectopy_dose_of_one_is_bigeminy():
    heart = constant_heart(faults=[Ectopy(source="chest", start_s=0.0, end_s=600.0, dose=1.0)])
    assert "".join(heart.label[1:301]) == "VN" * 150
