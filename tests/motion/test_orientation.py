"""Gravity's direction and its turns against vectors of known direction."""

import numpy as np
import pytest

from palpate.motion.orientation import gravity_direction, orientation_change_deg


def test_gravity_is_the_slow_part_as_a_unit_vector():
    time_s = np.arange(60 * 32) / 32.0
    shaken = np.column_stack([np.sin(2 * np.pi * 2.0 * time_s), 0 * time_s, 0 * time_s])
    found = gravity_direction(np.add(shaken, [0.6, 0.0, -1.6]), fs_hz=32.0)
    expected = np.array([0.6, 0.0, -1.6]) / np.hypot(0.6, 1.6)
    np.testing.assert_allclose(found[200:-200] - expected, 0.0, atol=0.01)
    np.testing.assert_allclose(np.linalg.norm(found, axis=1), 1.0)
    assert np.isnan(gravity_direction(np.zeros((200, 3)), fs_hz=32.0)).all()


@pytest.mark.parametrize("turn_deg", [1e-4, 5.0, 60.0, 179.0])
def test_the_largest_turn_is_measured_from_the_mean_direction(turn_deg):
    # Two directions, each held for half of the window: the mean is halfway.
    half = np.radians(turn_deg / 2.0)
    one, other = ([np.sin(angle), 0.0, np.cos(angle)] for angle in (half, -half))
    window = np.array([[one] * 10 + [other] * 10])
    np.testing.assert_allclose(orientation_change_deg(window), [turn_deg / 2.0], rtol=1e-6)
