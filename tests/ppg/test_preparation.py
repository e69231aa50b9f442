"""Conditioning against the faults that real light has."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from palpate.ppg import condition_ppg
from palpate.validation import InputError

FS_HZ = 100.0


def likeness(one, other, where=slice(None)):
    return np.corrcoef(one[where], other[where])[0, 1]


@settings(max_examples=20, deadline=None)
@given(gain=st.floats(1e-3, 1e4), offset=st.floats(-1e4, 1e4))
def test_gain_and_offset_change_nothing(gain, offset):
    t = np.arange(2000) / FS_HZ
    light = np.sin(2 * np.pi * 1.3 * t) + 0.3 * np.sin(2 * np.pi * 2.6 * t + 1)
    before = condition_ppg(light, fs_hz=FS_HZ)
    after = condition_ppg(gain * light + offset, fs_hz=FS_HZ)
    np.testing.assert_allclose(after, before, atol=1e-5)


def test_the_result_has_unit_scale_and_no_level(synthetic_light):
    light, _ = synthetic_light()
    found = condition_ppg(light, fs_hz=FS_HZ)
    assert found.mean() == pytest.approx(0.0, abs=0.05)
    assert np.sqrt((found**2).mean()) == pytest.approx(1.0, abs=0.05)


def test_a_dc_step_leaves_the_pulses_beside_it(synthetic_light):
    light, _ = synthetic_light()
    clean = condition_ppg(light, fs_hz=FS_HZ)
    stepped = light + 40.0 * (np.arange(light.size) >= 3000)
    found = condition_ppg(stepped, fs_hz=FS_HZ)
    beside = np.r_[0:2900, 3100:6000]
    assert likeness(found, clean, beside) > 0.98


def test_a_gain_change_fades_within_seconds(synthetic_light):
    light, _ = synthetic_light()
    clean = condition_ppg(light, fs_hz=FS_HZ)
    changed = np.where(np.arange(light.size) < 3000, light, 5.0 * light)
    found = condition_ppg(changed, fs_hz=FS_HZ)
    far = np.r_[0:2300, 3700:6000]
    assert likeness(found, clean, far) > 0.98
    np.testing.assert_allclose(found[far].std(), clean[far].std(), rtol=0.05)


@pytest.mark.parametrize("height", [30.0, -1e3, 1e7])
def test_a_spike_does_not_touch_the_pulses_around_it(synthetic_light, height):
    light, _ = synthetic_light()
    clean = condition_ppg(light, fs_hz=FS_HZ)
    spiked = light.copy()
    spiked[3000:3003] += height
    found = condition_ppg(spiked, fs_hz=FS_HZ)
    beside = np.r_[0:2950, 3050:6000]
    assert likeness(found, clean, beside) > 0.98


@pytest.mark.parametrize("rail", [50.6, 50.8])
def test_clipped_tops_keep_the_pulses_in_place(synthetic_light, rail):
    light, _ = synthetic_light()
    clipped = condition_ppg(np.minimum(light, rail), fs_hz=FS_HZ)
    assert likeness(clipped, condition_ppg(light, fs_hz=FS_HZ)) > 0.93


def test_dropouts_are_missing_whether_nan_or_frozen(synthetic_light):
    light, _ = synthetic_light()
    clean = condition_ppg(light, fs_hz=FS_HZ)
    for filler in (np.nan, 0.0, light[2000]):
        broken = light.copy()
        broken[2000:2300] = filler
        found = condition_ppg(broken, fs_hz=FS_HZ)
        assert np.isnan(found[2001:2299]).all()
        beside = np.r_[0:1900, 2400:6000]
        assert np.isfinite(found[beside]).all()
        assert likeness(found, clean, beside) > 0.95


def test_channels_are_conditioned_by_themselves(synthetic_light):
    light, _ = synthetic_light()
    other, _ = synthetic_light(rate_bpm=120.0)
    both = condition_ppg(np.stack([light, 100 * other], axis=1), fs_hz=FS_HZ)
    np.testing.assert_array_equal(both[:, 0], condition_ppg(light, fs_hz=FS_HZ))
    assert both.shape == (light.size, 2)


@pytest.mark.parametrize("n", [0, 1, 2, 5, 60])
@pytest.mark.parametrize("fill", [0.0, 7.0, np.nan])
def test_short_and_dead_records_do_not_break(n, fill):
    found = condition_ppg(np.full(n, fill), fs_hz=FS_HZ)
    assert found.shape == (n,)
    assert not np.any(np.abs(found[np.isfinite(found)]) > 1e-6)


def test_input_is_not_changed_and_bad_input_is_explained(synthetic_light):
    light, _ = synthetic_light()
    light[50] = np.nan
    before = light.copy()
    condition_ppg(light, fs_hz=FS_HZ)
    np.testing.assert_array_equal(light, before)
    with pytest.raises(InputError, match="channels"):
        condition_ppg(np.empty((10, 0)), fs_hz=FS_HZ)
