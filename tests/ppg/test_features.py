"""The light's table: definitions, invariances, faults and bad input."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from palpate.ppg import ppg_windows
from palpate.ppg.quality import skewness, spectral_shape
from palpate.validation import InputError

FS_HZ = 100.0
SCALE_FREE = (
    "skewness",
    "template_correlation",
    "spectral_peak_ratio",
    "spectral_entropy",
    "peak_rate_per_min",
)


def test_elgendi_2016_skewness_is_the_third_standardised_moment():
    rows = np.random.default_rng(0).gamma(2.0, size=(5, 256))
    np.testing.assert_allclose(skewness(rows), stats.skew(rows, axis=1))
    assert np.isnan(skewness(np.zeros((1, 10))))[0]


def test_perfusion_index_is_100_ac_over_dc():
    t = np.arange(3000) / FS_HZ
    light = 200.0 + 3.0 * np.sin(2 * np.pi * 1.25 * t)
    table = ppg_windows(light, fs_hz=FS_HZ)
    assert table["perfusion_index_pct"] == pytest.approx(100.0 * 6.0 / 200.0, rel=0.03)


def test_perfusion_index_is_undefined_where_the_dc_was_removed(synthetic_light):
    light, _ = synthetic_light(level=0.0)
    table = ppg_windows(light - light.mean(), fs_hz=FS_HZ)
    assert np.isnan(table["perfusion_index_pct"]).all()
    assert np.isfinite(table["skewness"]).all()


@pytest.mark.parametrize("rate_bpm", [45.0, 75.0, 160.0])
def test_clean_light_scores_high_and_noise_low(synthetic_light, rate_bpm):
    light, _ = synthetic_light(rate_bpm=rate_bpm, jitter=0.01)
    good = ppg_windows(light, fs_hz=FS_HZ)
    noise = ppg_windows(np.random.default_rng(1).normal(size=light.size), fs_hz=FS_HZ)
    assert good["template_correlation"][:-1].min() > 0.95
    assert good["peak_rate_per_min"] == pytest.approx(rate_bpm, rel=0.03)
    assert good["spectral_peak_ratio"].min() > 4 * np.median(noise["spectral_peak_ratio"])
    assert good["spectral_entropy"].max() < noise["spectral_entropy"].min()
    assert np.median(noise["template_correlation"]) < 0.8


def test_gain_and_dc_change_only_the_perfusion_index(synthetic_light):
    light, _ = synthetic_light(noise=0.05)
    before = ppg_windows(light, fs_hz=FS_HZ)
    after = ppg_windows(-3.0 + 0.02 * light, fs_hz=FS_HZ)
    for name in (*SCALE_FREE, "dc_step", "clipped_share", "missing_share"):
        np.testing.assert_allclose(after[name], before[name], rtol=1e-4, atol=1e-6)


@pytest.mark.parametrize("fs_hz", [25.0, 64.0, 125.0, 512.0])
def test_resampling_changes_no_measure(synthetic_light, fs_hz):
    before = ppg_windows(synthetic_light(fs_hz=128.0)[0], fs_hz=128.0)
    after = ppg_windows(synthetic_light(fs_hz=fs_hz)[0], fs_hz=fs_hz)
    inner = slice(1, -1)
    for name in ("perfusion_index_pct", "skewness", "template_correlation", "peak_rate_per_min"):
        np.testing.assert_allclose(after[name][inner], before[name][inner], rtol=0.05, atol=0.02)


def test_dc_steps_clipping_and_dropouts_land_in_their_windows(synthetic_light):
    light, _ = synthetic_light(duration_s=80.0)
    light[2000:] += 30.0
    light[4000:4200] = np.nan
    light[6000:6100] = light[6000]
    table = ppg_windows(light, fs_hz=FS_HZ)
    holds = lambda at_s: (table.start_s <= at_s) & (at_s < table.end_s)  # noqa: E731
    np.testing.assert_array_equal(table["dc_step"] > 0, holds(20.0))
    assert table["missing_share"][table.start_s == 40.0] == pytest.approx(2.0 / 8.0)
    assert table["missing_share"][table.start_s == 60.0] == pytest.approx(1.0 / 8.0, abs=0.01)
    assert table["clipped_share"].max() == 0.0
    clipped = ppg_windows(np.minimum(synthetic_light()[0], 50.7), fs_hz=FS_HZ)
    assert clipped["clipped_share"].min() > 0.1


def test_of_several_channels_the_clearest_is_described(synthetic_light):
    light, _ = synthetic_light()
    noise = 50.0 + np.random.default_rng(0).normal(size=light.size)
    table = ppg_windows(np.stack([noise, light], axis=1), fs_hz=FS_HZ)
    alone = ppg_windows(light, fs_hz=FS_HZ)
    assert set(table["channel"]) == {1}
    np.testing.assert_array_equal(table["skewness"], alone["skewness"])


def test_a_hundred_channels_are_read(synthetic_light):
    light, _ = synthetic_light()
    noise = np.random.default_rng(0).normal(size=(light.size, 99))
    table = ppg_windows(np.column_stack([noise, light]), fs_hz=FS_HZ)
    assert set(table["channel"]) == {99}


@pytest.mark.parametrize("n", [0, 1, 799, 800])
def test_short_records_give_the_windows_that_fit(n):
    table = ppg_windows(np.random.default_rng(0).normal(size=n), fs_hz=FS_HZ)
    assert len(table) == (1 if n == 800 else 0)
    assert set(SCALE_FREE) < set(table)


@pytest.mark.parametrize("fill", [0.0, 5.0, np.nan])
def test_a_dead_channel_is_missing_not_good(fill):
    table = ppg_windows(np.full(2000, fill), fs_hz=FS_HZ)
    np.testing.assert_array_equal(table["missing_share"], 1.0)
    for name in SCALE_FREE:
        assert np.isnan(table[name]).all()


def test_a_tone_is_one_line_and_its_rate_is_found():
    t = np.arange(256) / 32.0
    tones = np.stack([np.sin(2 * np.pi * hz * t) for hz in (0.9, 1.7, 3.2)])
    _, entropy, rate = spectral_shape(tones, fs_hz=32.0)
    np.testing.assert_allclose(rate, [54.0, 102.0, 192.0], atol=0.5)
    assert entropy.max() < 0.5


def test_bad_input_is_explained():
    with pytest.raises(InputError, match="channels"):
        ppg_windows(np.empty((100, 0)), fs_hz=FS_HZ)
    with pytest.raises(InputError, match=r"needs 0.5 s or more"):
        ppg_windows(np.ones(1000), fs_hz=FS_HZ, window_s=0.1)
    with pytest.raises(InputError, match=r"a filter edge of 0.4 Hz cannot be at 0.5 samples"):
        ppg_windows(np.ones(1000), fs_hz=0.5)


@settings(max_examples=20, deadline=None)
@given(
    fs_hz=st.sampled_from([12.5, 25.0, 64.0, 125.0]),
    n=st.integers(0, 4000),
    seed=st.integers(0, 1000),
    lost=st.floats(0.0, 1.0),
)
def test_any_record_gives_whole_columns_and_keeps_its_input(fs_hz, n, seed, lost):
    rng = np.random.default_rng(seed)
    light = np.cumsum(rng.normal(size=(n, 2)), axis=0)
    light[rng.random(n) < lost, seed % 2] = np.nan
    before = light.copy()
    table = ppg_windows(light, fs_hz=fs_hz)
    np.testing.assert_array_equal(light, before)
    for name in table:
        assert table[name].shape == table.start_s.shape
        assert not np.isinf(table[name]).any()
