"""Calibration on a synthetic sphere with known gain and offset, and its refusals."""

import numpy as np
import pytest

from palpate.motion import calibrate
from palpate.validation import InputError

FS_HZ = 10.0
GAIN = np.array([1.03, 0.97, 1.01])
OFFSET_G = np.array([0.03, -0.05, 0.02])


def resting_on_many_sides(n_rests, seed=0, reach=1.0):
    rng = np.random.default_rng(seed)
    direction = rng.normal(size=(n_rests, 3)) * [1.0, 1.0, reach]
    direction[:, 2] += 0.0 if reach == 1.0 else 3.0
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    recorded = (direction - OFFSET_G) / GAIN
    held = np.repeat(recorded, round(10 * FS_HZ), axis=0)
    return held + 0.004 * rng.normal(size=held.shape)


@pytest.mark.parametrize("n_rests", [30, 300])
def test_van_hees_2014_recovers_known_gain_and_offset(n_rests):
    found = calibrate(resting_on_many_sides(n_rests), fs_hz=FS_HZ, unit="g")
    assert found.accepted, found.reason
    np.testing.assert_allclose(found.gain, GAIN, atol=1e-3)
    np.testing.assert_allclose(found.offset_g, OFFSET_G, atol=1e-3)
    assert found.error_before_g > 0.02
    assert found.error_after_g < 0.001


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("missing", [np.nan, np.inf])
def test_a_window_that_misses_a_sample_is_not_still(missing):
    acc = resting_on_many_sides(60)
    acc[5] = missing
    found = calibrate(acc, fs_hz=FS_HZ, unit="g")
    assert found.n_still == 59
    np.testing.assert_allclose(found.gain, GAIN, atol=1e-3)


def test_the_correction_brings_every_rest_to_one_g():
    acc = resting_on_many_sides(60)
    corrected = calibrate(acc, fs_hz=FS_HZ, unit="g").apply(acc)
    np.testing.assert_allclose(np.linalg.norm(corrected, axis=1).mean(), 1.0, atol=1e-3)


@pytest.mark.filterwarnings("error")
def test_a_dropout_filled_with_zeros_is_no_rest():
    acc = resting_on_many_sides(60)
    alone = calibrate(acc, fs_hz=FS_HZ, unit="g")
    found = calibrate(np.concatenate([acc, np.zeros((300, 3))]), fs_hz=FS_HZ, unit="g")
    assert found.accepted
    assert found.n_still == 60
    np.testing.assert_array_equal(found.gain, alone.gain)


def test_units_do_not_matter():
    acc = resting_on_many_sides(60)
    in_g = calibrate(acc, fs_hz=FS_HZ, unit="g")
    in_mps2 = calibrate(acc * 9.80665, fs_hz=FS_HZ, unit="m/s2")
    np.testing.assert_allclose(in_mps2.gain, in_g.gain)


def test_too_little_stillness_is_refused_and_changes_nothing():
    moving = 0.2 * np.random.default_rng(1).normal(size=(4000, 3)) + [0, 0, 1]
    found = calibrate(moving, fs_hz=FS_HZ, unit="g")
    assert not found.accepted
    assert "too little stillness" in found.reason
    np.testing.assert_array_equal(found.apply(moving), moving)
    assert np.isnan(found.error_before_g)


def test_too_few_orientations_are_refused_and_the_axes_named():
    found = calibrate(resting_on_many_sides(60, reach=0.3), fs_hz=FS_HZ, unit="g")
    assert not found.accepted
    assert "axis z" in found.reason


def test_a_broken_sensor_is_refused():
    acc = resting_on_many_sides(300)
    acc[: acc.shape[0] // 2] *= 1.2  # half of the record at another gain
    found = calibrate(acc, fs_hz=FS_HZ, unit="g")
    assert not found.accepted
    assert "mg of error" in found.reason


def test_calibration_needs_three_axes():
    with pytest.raises(InputError, match="three"):
        calibrate(np.ones((100, 2)), fs_hz=FS_HZ, unit="g")
