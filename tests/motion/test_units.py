"""Declared units, and gravity's word against a wrong declaration."""

import numpy as np
import pytest

from palpate.motion import check_unit, motion_windows, to_g
from palpate.validation import InputError

G_IN = {"g": 1.0, "mg": 1000.0, "m/s2": 9.80665, "m/s^2": 9.80665}


@pytest.mark.parametrize("unit", list(G_IN))
def test_one_g_in_every_unit(unit):
    np.testing.assert_allclose(to_g(np.full((5, 3), G_IN[unit]), unit=unit), 1.0)


def test_an_unknown_unit_is_named():
    with pytest.raises(InputError, match=r"'counts'; it must be one of g, .*: state it, and div"):
        to_g(np.ones((5, 3)), unit="counts")


def worn(moving, seed=0):
    rng = np.random.default_rng(seed)
    scatter = 0.5 if moving else 0.01
    return scatter * rng.normal(size=(3000, 3)) + [0.3, -0.4, 0.85]


@pytest.mark.parametrize("moving", [False, True])
@pytest.mark.parametrize("declared", ["g", "mg", "m/s2"])
@pytest.mark.parametrize("true", ["g", "mg", "m/s2"])
def test_a_wrong_unit_is_noticed_and_the_right_one_named(declared, true, moving):
    found = check_unit(worn(moving) * G_IN[true], fs_hz=50.0, unit=declared)
    if declared == true:
        assert found.verdict == "confirmed"
        assert found.finding == ""
    else:
        assert found.verdict == "contradicted"
        assert found.likely_unit == true
        assert f"1 g in {true}" in found.finding
    assert found.at_rest is not moving


def test_features_refuse_a_wrong_unit_in_one_sentence():
    with pytest.raises(InputError, match=r"declared in g but measures 9\.\d+ g.*m/s2"):
        motion_windows(worn(False) * 9.80665, fs_hz=50.0, unit="g")


@pytest.mark.parametrize("moving", [False, True])
def test_counts_are_refused_with_what_to_do(moving):
    with pytest.raises(InputError, match=r"measures .* g .*if these are counts, divide them by"):
        motion_windows(worn(moving) * 4096.0, fs_hz=50.0, unit="g")


@pytest.mark.parametrize("scale", [0.02, 0.3, 1.0, 3.0, 10.0])
@pytest.mark.parametrize("unit", ["g", "m/s2"])
def test_removed_gravity_is_undecided_not_guessed(unit, scale):
    t = np.arange(3000)[:, np.newaxis] / 50.0
    swing = np.sin(2 * np.pi * 0.9 * t + [0.0, 1.0, 2.0])
    free = scale * (swing + 0.3 * np.random.default_rng(0).normal(size=(3000, 3)))
    found = check_unit(free, fs_hz=50.0, unit=unit)
    assert found.verdict == "undecided"
    assert "gravity" in found.finding


def test_a_sensor_that_froze_for_hours_is_not_taken_for_a_resting_one():
    frozen = np.tile([0.0, 0.0, 0.33], (16 * 3600, 1))
    found = check_unit(np.concatenate([worn(False)[:1600], frozen]), fs_hz=16.0, unit="g")
    assert found.verdict == "confirmed"
    assert found.gravity_g == pytest.approx(np.linalg.norm([0.3, -0.4, 0.85]), rel=0.01)


@pytest.mark.parametrize("acc", [np.full((100, 3), np.nan), np.empty((0, 3)), np.ones((100, 2))])
def test_nothing_to_check_is_undecided(acc):
    assert check_unit(acc, fs_hz=50.0, unit="g").verdict == "undecided"


@pytest.mark.parametrize(
    ("record", "channels"),
    [("s2_walk", (8, 9, 10)), ("s4_run", (8, 9, 10)), ("s3_high_resistance_bike", (5, 6, 7))],
)
def test_real_exercise_confirms_its_unit_and_contradicts_another(wrist_channels, record, channels):
    acc = wrist_channels(record, channels)
    assert check_unit(acc, fs_hz=256.0, unit="m/s2").verdict == "confirmed"
    assert check_unit(acc, fs_hz=256.0, unit="g").likely_unit == "m/s2"
