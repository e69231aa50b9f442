"""ECG quality per window, on drawn ECG with disturbances of known size."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray

from palpate.ecg import ecg_windows
from palpate.ecg.quality import MEASURES, NOISE_LIMITS
from palpate.signals import WindowTable
from palpate.validation import InputError

Floats = NDArray[np.float64]
FS_HZ = 250.0
DURATION_S = 60.0


@pytest.fixture(scope="module")
def clean(drawn_ecg: Callable[..., Floats], steady_beats: Callable[..., Floats]) -> Floats:
    return drawn_ecg(steady_beats(0.8, DURATION_S), DURATION_S, fs_hz=FS_HZ)


def seconds(ecg: Floats) -> Floats:
    return np.arange(ecg.shape[0]) / FS_HZ


def measured(ecg: Floats) -> WindowTable:
    return ecg_windows(ecg, fs_hz=FS_HZ)


@pytest.mark.parametrize(("fs_hz", "step_s"), [(250.0 / (1.0 + 37e-6), 2.0), (256.0, 0.7)])
def test_windows_start_on_the_grid_where_steps_are_no_whole_number_of_samples(
    clean: Floats, fs_hz: float, step_s: float
) -> None:
    table = ecg_windows(clean, fs_hz=fs_hz, start_s=4.0, step_s=step_s)
    assert_allclose(table.start_s, 4.0 + step_s * np.arange(len(table)), rtol=0.0, atol=1e-9)


def test_clean_ecg_stays_below_every_limit(clean: Floats) -> None:
    table = measured(clean)
    assert len(table) == 27
    for name in ("missing_share", "flat_share", "clipped_share"):
        assert_array_equal(table[name], 0.0)
    for name, limit in NOISE_LIMITS.items():
        assert np.all(table[name] < 0.7 * limit), name


def test_kurtosis_of_clean_real_ecg_exceeds_5_as_li_2008_has_it() -> None:
    data = pytest.importorskip("pywt").data.ecg().astype(float)
    assert np.all(ecg_windows(data, fs_hz=360.0, window_s=2.5)["kurtosis"] > 5.0)


def test_kurtosis_of_a_sine_is_three_halves(clean: Floats) -> None:
    table = measured(np.sin(2 * np.pi * 1.25 * seconds(clean)))
    assert_allclose(table["kurtosis"], 1.5, atol=1e-3)


@pytest.mark.parametrize("line_hz", [50.0, 60.0])
def test_mains_amplitude_is_recovered(clean: Floats, line_hz: float) -> None:
    table = measured(clean + 0.4 * np.sin(2 * np.pi * line_hz * seconds(clean)))
    assert_allclose(table["mains_ratio"] * table["qrs_amplitude"], 0.4, rtol=0.03)


def test_baseline_wander_is_recovered(clean: Floats) -> None:
    table = measured(clean + 2.0 * np.sin(2 * np.pi * 0.2 * seconds(clean)))
    wander = table["baseline_ratio"] * table["qrs_amplitude"]
    # The window's own mean of 8 s at 0.2 Hz does not matter: peak to peak is 4 mV.
    assert_allclose(wander[2:-2], 4.0, rtol=0.08)


def test_muscle_noise_raises_its_own_ratio_in_proportion(clean: Floats) -> None:
    noise = np.random.default_rng(1).normal(0.0, 1.0, clean.size)
    ratios = [np.median(measured(clean + sd * noise)["muscle_ratio"]) for sd in (0.2, 0.4)]
    assert NOISE_LIMITS["muscle_ratio"] / 2 < ratios[0] < ratios[1] < 2.1 * ratios[0]


def test_shares_count_samples(clean: Floats) -> None:
    ecg = clean.copy()
    ecg[round(10 * FS_HZ) : round(12 * FS_HZ)] = np.nan
    ecg[round(30 * FS_HZ) : round(33 * FS_HZ)] = 0.02
    ecg[round(50 * FS_HZ) : round(51 * FS_HZ)] = 5.0
    table = measured(ecg)
    at = {float(start): row for row, start in enumerate(table.start_s)}
    assert table["missing_share"][at[8.0]] == pytest.approx(2.0 / 8.0)
    assert table["missing_share"][at[14.0]] == 0.0
    assert table["flat_share"][at[26.0]] == pytest.approx(3.0 / 8.0, abs=0.03)
    assert table["flat_share"][at[8.0]] == 0.0
    assert table["clipped_share"][at[46.0]] == pytest.approx(1.0 / 8.0, abs=0.02)


def test_gain_and_polarity_leave_every_ratio_alone(clean: Floats) -> None:
    table, other = measured(clean), measured(-1e4 * clean)
    for name in MEASURES:
        factor = 1e4 if name == "qrs_amplitude" else 1.0
        assert_allclose(other[name], factor * table[name], rtol=1e-6, atol=1e-9, err_msg=name)


def test_the_quieter_lead_is_described(clean: Floats) -> None:
    noisy = clean + np.random.default_rng(2).normal(0.0, 0.5, clean.size)
    absent = np.full(clean.size, np.nan)
    table = measured(np.column_stack((absent, noisy, clean)))
    assert_array_equal(table["lead"], 2)
    for name in MEASURES:
        assert_array_equal(table[name], measured(clean)[name])


def test_input_is_left_alone_and_times_follow_the_start(clean: Floats) -> None:
    before = clean.copy()
    table = ecg_windows(clean, fs_hz=FS_HZ, start_s=100.0, window_s=10.0, step_s=5.0)
    assert_array_equal(clean, before)
    assert_array_equal(table.start_s, 100.0 + 5.0 * np.arange(11))
    assert_array_equal(table.end_s, table.start_s + 10.0)


def test_no_signal_gives_nan_and_no_warning() -> None:
    for ecg in (np.full(5000, np.nan), np.zeros(5000), np.full(5000, 3.3)):
        table = measured(ecg)
        assert len(table) == 7
        assert np.isnan(table["motion_ratio"]).all()
    assert len(measured(np.zeros(100))) == 0
    assert len(measured(np.zeros(0))) == 0


def test_a_rate_too_low_for_the_mains_leaves_it_undefined(clean: Floats) -> None:
    table = ecg_windows(clean[::2], fs_hz=100.0)
    assert np.isnan(table["mains_ratio"]).all()
    assert np.isfinite(table["muscle_ratio"]).all()


def test_bad_input_says_what_to_do() -> None:
    with pytest.raises(InputError, match="fs_hz"):
        ecg_windows(np.zeros(1000), fs_hz=0.0)
    with pytest.raises(InputError, match="shape"):
        ecg_windows(np.zeros((10, 2, 2)), fs_hz=FS_HZ)
