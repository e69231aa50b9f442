import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from palpate.simulation.synthesis import band_noise, gate, gaussian_train, stream, wander


def test_streams_are_told_apart_by_seed_and_by_name():
    draws = [stream(*key).random() for key in ((1, "a"), (1, "b"), (2, "a"), (1, "a", "b"))]
    assert len(set(draws)) == 4
    assert stream(1, "a").random() == draws[0]


def test_band_noise_has_unit_rms_and_lies_in_its_band():
    noise = band_noise(stream(1, "n"), 200_000, fs_hz=100.0, low_hz=2.0, high_hz=8.0)
    assert np.sqrt(np.mean(noise**2)) == pytest.approx(1.0)
    frequency, power = signal.welch(noise, fs=100.0, nperseg=2048)
    inside = (frequency >= 2.0) & (frequency <= 8.0)
    assert power[inside].sum() / power.sum() > 0.75
    edge = power[np.argmin(np.abs(frequency - 8.0))] / power[inside].max()
    assert edge == pytest.approx(0.5, abs=0.15)


def test_wander_has_unit_sd_and_forgets_over_its_time():
    walk = wander(stream(2, "w"), 400_000, step_s=0.05, time_s=2.0)
    assert np.std(walk) == pytest.approx(1.0, abs=0.05)
    lag = round(2.0 / 0.05)
    assert np.corrcoef(walk[:-lag], walk[lag:])[0, 1] == pytest.approx(np.exp(-1.0), abs=0.05)


@given(center_s=st.floats(1.0, 9.0), height=st.floats(-5.0, 5.0), width_s=st.floats(0.02, 0.2))
def test_a_gaussian_off_the_grid_keeps_place_and_area(center_s, height, width_s):
    values = gaussian_train(
        np.array([center_s]), np.array([height]), np.array([width_s]), fs_hz=200.0, size=2000
    )
    time_s = np.arange(2000) / 200.0
    expected = height * np.exp(-0.5 * ((time_s - center_s) / width_s) ** 2)
    np.testing.assert_allclose(values, expected, atol=1e-4 * abs(height))


def test_gaussians_overlap_by_addition_and_may_lie_outside():
    at_s, one = np.array([-1.0, 0.5, 0.55, 9.0]), np.ones(4)
    together = gaussian_train(at_s, one, 0.1 * one, fs_hz=100.0, size=100)
    apart = sum(
        gaussian_train(at_s[[i]], one[:1], 0.1 * one[:1], fs_hz=100.0, size=100) for i in range(4)
    )
    np.testing.assert_allclose(together, apart)
    assert gaussian_train(at_s[:0], one[:0], one[:0], fs_hz=100.0, size=5).tolist() == [0.0] * 5


def test_gate_is_whole_inside_and_nothing_outside():
    opened = gate(np.array([0.9, 1.0, 1.25, 2.0, 2.75, 3.0, 4.0]), 1.0, 3.0, ramp_s=0.5)
    np.testing.assert_allclose(opened, [0.0, 0.0, 0.5, 1.0, 0.5, 0.0, 0.0])
