"""The contract that every QRS detector of this package keeps, whatever its principle."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from palpate.conditioning import resample
from palpate.ecg import detect_qrs
from palpate.ecg.detection import METHODS
from palpate.signals import IntArray
from palpate.validation import InputError

Floats = NDArray[np.float64]
FS_HZ = 250.0
DURATION_S = 60.0

every_method = pytest.mark.parametrize("method", METHODS)


@pytest.fixture(scope="module")
def beat_s(steady_beats: Callable[..., Floats]) -> Floats:
    return steady_beats(0.8, DURATION_S)


@pytest.fixture(scope="module")
def ecg(drawn_ecg: Callable[..., Floats], beat_s: Floats) -> Floats:
    return drawn_ecg(beat_s, DURATION_S, fs_hz=FS_HZ)


def assert_finds(found: IntArray, beat_s: Floats, fs_hz: float, tolerance_s: float = 0.03) -> None:
    """Every beat is marked once, within the tolerance, and nothing else is."""
    np.testing.assert_equal(found.size, beat_s.size)
    np.testing.assert_allclose(found / fs_hz, beat_s, atol=tolerance_s)


@every_method
def test_marks_are_sorted_unique_sample_indices(method: str, ecg: Floats, beat_s: Floats) -> None:
    found = detect_qrs(ecg, fs_hz=FS_HZ, method=method)
    assert found.dtype == np.intp
    assert np.all(np.diff(found) > 0)
    assert_finds(found, beat_s, FS_HZ)


@every_method
@pytest.mark.parametrize("n", [0, 1, 2, 10, 100, 249])
def test_too_short_gives_no_beats(method: str, n: int, ecg: Floats) -> None:
    assert detect_qrs(ecg[:n], fs_hz=FS_HZ, method=method).size == 0


@every_method
@pytest.mark.parametrize("seconds", [1.0, 1.7, 2.5, 4.0])
def test_a_few_seconds_are_enough(method: str, seconds: float, ecg: Floats, beat_s: Floats) -> None:
    found = detect_qrs(ecg[: round(seconds * FS_HZ)], fs_hz=FS_HZ, method=method)
    assert_finds(found, beat_s[beat_s < seconds], FS_HZ)


@every_method
@pytest.mark.parametrize("level", [0.0, -3.7, 1e6])
def test_a_flat_line_has_no_beats(method: str, level: float) -> None:
    assert detect_qrs(np.full(5000, level), fs_hz=FS_HZ, method=method).size == 0
    assert detect_qrs(np.full((5000, 3), level), fs_hz=FS_HZ, method=method).size == 0


@every_method
def test_nothing_measured_has_no_beats(method: str) -> None:
    assert detect_qrs(np.full(5000, np.nan), fs_hz=FS_HZ, method=method).size == 0


@every_method
def test_the_input_is_not_changed(method: str, ecg: Floats) -> None:
    two = np.column_stack((ecg, -0.5 * ecg))
    two[1000:1100] = np.nan
    before = two.copy()
    two.flags.writeable = False
    detect_qrs(two, fs_hz=FS_HZ, method=method)
    np.testing.assert_array_equal(two, before)


@every_method
def test_masked_samples_have_no_beats(method: str, ecg: Floats) -> None:
    masked = np.ma.masked_array(ecg, mask=np.zeros(ecg.size, dtype=bool))
    masked[5000:7000] = np.ma.masked
    found = detect_qrs(masked, fs_hz=FS_HZ, method=method)
    assert not np.any((found >= 5000) & (found < 7000))
    missing = np.where(masked.mask, np.nan, ecg)
    np.testing.assert_array_equal(found, detect_qrs(missing, fs_hz=FS_HZ, method=method))


@every_method
@pytest.mark.parametrize("size", [1e-30, 1e59])
def test_no_size_that_is_let_in_overflows(method: str, size: float, ecg: Floats) -> None:
    plain = detect_qrs(ecg, fs_hz=FS_HZ, method=method)
    np.testing.assert_array_equal(detect_qrs(size * ecg, fs_hz=FS_HZ, method=method), plain)


@every_method
@pytest.mark.parametrize("gain", [1e-4, 0.03, 7.0, 1e4])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_gain_and_polarity_do_not_matter(
    method: str, gain: float, sign: float, ecg: Floats
) -> None:
    plain = detect_qrs(ecg, fs_hz=FS_HZ, method=method)
    scaled = detect_qrs(sign * gain * ecg, fs_hz=FS_HZ, method=method)
    np.testing.assert_array_equal(scaled, plain)


@every_method
def test_an_offset_does_not_matter(method: str, ecg: Floats) -> None:
    plain = detect_qrs(ecg, fs_hz=FS_HZ, method=method)
    np.testing.assert_array_equal(detect_qrs(ecg + 1000.0, fs_hz=FS_HZ, method=method), plain)


@every_method
@pytest.mark.parametrize("fs_hz", [100.0, 125.0, 128.0, 200.0, 256.0, 360.0, 500.0, 1000.0, 2000.0])
def test_any_rate_finds_the_same_beats(
    method: str, fs_hz: float, drawn_ecg: Callable[..., Floats], beat_s: Floats
) -> None:
    ecg = drawn_ecg(beat_s, DURATION_S, fs_hz=fs_hz)
    assert_finds(detect_qrs(ecg, fs_hz=fs_hz, method=method), beat_s, fs_hz)


@every_method
def test_a_resampled_record_has_the_same_beats(method: str, ecg: Floats, beat_s: Floats) -> None:
    other = resample(ecg, fs_hz=FS_HZ, to_hz=333.0)
    assert_finds(detect_qrs(other, fs_hz=333.0, method=method), beat_s, 333.0)


@every_method
@pytest.mark.parametrize("shift", [1, 7, 250, 1234])
def test_a_later_start_moves_the_marks(method: str, shift: int, ecg: Floats) -> None:
    plain = detect_qrs(ecg, fs_hz=FS_HZ, method=method)
    later = detect_qrs(ecg[shift:], fs_hz=FS_HZ, method=method) + shift
    inside = plain[plain > shift + 0.5 * FS_HZ]
    later = later[later > shift + 0.5 * FS_HZ]
    np.testing.assert_allclose(later, inside, atol=0.03 * FS_HZ)


@every_method
def test_a_record_played_twice_has_twice_the_beats(method: str, ecg: Floats) -> None:
    once = detect_qrs(ecg, fs_hz=FS_HZ, method=method)
    twice = detect_qrs(np.concatenate((ecg, ecg)), fs_hz=FS_HZ, method=method)
    expected = np.concatenate((once, once + ecg.size))
    assert twice.size == expected.size
    np.testing.assert_allclose(twice, expected, atol=0.03 * FS_HZ)


@every_method
def test_gaps_hide_only_what_is_in_them(method: str, ecg: Floats, beat_s: Floats) -> None:
    gappy = ecg.copy()
    for start_s, end_s in ((10.0, 10.05), (20.0, 23.0), (40.0, 52.0)):
        gappy[round(start_s * FS_HZ) : round(end_s * FS_HZ)] = np.nan
    found = detect_qrs(gappy, fs_hz=FS_HZ, method=method)
    assert np.all(np.isfinite(gappy[found]))
    away = np.ones_like(beat_s, dtype=bool)
    for start_s, end_s in ((10.0, 10.05), (20.0, 23.0), (40.0, 52.0)):
        away &= (beat_s < start_s - 0.2) | (beat_s > end_s + 0.2)
    nearest = np.min(np.abs(found[:, np.newaxis] / FS_HZ - beat_s[away]), axis=0)
    assert np.all(nearest < 0.03)
    assert found.size <= np.count_nonzero(away) + 4


@every_method
def test_missing_samples_may_be_infinite(method: str, ecg: Floats) -> None:
    nan, infinite = ecg.copy(), ecg.copy()
    nan[2000:2100], infinite[2000:2100] = np.nan, -np.inf
    np.testing.assert_array_equal(
        detect_qrs(nan, fs_hz=FS_HZ, method=method),
        detect_qrs(infinite, fs_hz=FS_HZ, method=method),
    )


@every_method
@pytest.mark.parametrize("hr_bpm", [30, 45, 60, 90, 140, 180, 210, 240])
def test_heart_rates_from_30_to_240(
    method: str, hr_bpm: int, steady_beats: Callable[..., Floats]
) -> None:
    beat_s = steady_beats(60.0 / hr_bpm, DURATION_S)
    ecg = narrow_beats(beat_s, DURATION_S)
    assert_finds(detect_qrs(ecg, fs_hz=FS_HZ, method=method), beat_s, FS_HZ)


def narrow_beats(beat_s: Floats, duration_s: float, fs_hz: float = FS_HZ) -> Floats:
    """Draw QRS complexes and low T waves that come sooner at high rates (Bazett's square root)."""
    time_s = np.arange(round(duration_s * fs_hz)) / fs_hz
    rr_s = np.median(np.diff(beat_s))
    ecg = np.random.default_rng(1).normal(0.0, 0.01, time_s.size)
    for offset_s, width_s, height in (
        (0.0, 0.01, 1.0), (0.025, 0.01, -0.3), (0.28 * np.sqrt(rr_s), 0.05 * np.sqrt(rr_s), 0.2),
    ):  # fmt: skip
        distance = (time_s[:, np.newaxis] - beat_s - offset_s) / width_s
        ecg += height * np.exp(-0.5 * distance**2).sum(axis=1)
    return ecg


@every_method
def test_sudden_pauses_are_neither_filled_nor_feared(
    method: str, drawn_ecg: Callable[..., Floats]
) -> None:
    beat_s = np.concatenate([np.arange(1.0, 20.0, 0.7), np.arange(26.0, 40.0, 1.6),
                             np.arange(45.0, 59.0, 0.45)])  # fmt: skip
    ecg = drawn_ecg(beat_s, DURATION_S, fs_hz=FS_HZ)
    assert_finds(detect_qrs(ecg, fs_hz=FS_HZ, method=method), beat_s, FS_HZ)


@every_method
def test_saturation_keeps_beats_that_show(method: str, ecg: Floats, beat_s: Floats) -> None:
    found = detect_qrs(np.clip(ecg, -0.1, 0.5), fs_hz=FS_HZ, method=method)
    assert_finds(found, beat_s, FS_HZ)


@every_method
def test_a_saturated_stretch_is_silent(method: str, ecg: Floats, beat_s: Floats) -> None:
    stuck = ecg.copy()
    stuck[round(20 * FS_HZ) : round(30 * FS_HZ)] = 5.0
    found = detect_qrs(stuck, fs_hz=FS_HZ, method=method) / FS_HZ
    assert not np.any((found > 20.3) & (found < 29.7))
    assert np.count_nonzero(found < 19.5) == np.count_nonzero(beat_s < 19.5)
    assert np.count_nonzero(found > 30.5) == np.count_nonzero(beat_s > 30.5)


@every_method
def test_a_lead_that_falls_off_to_small_noise_is_silent(
    method: str, ecg: Floats, beat_s: Floats
) -> None:
    off = ecg.copy()
    span = slice(round(20 * FS_HZ), round(40 * FS_HZ))
    off[span] = np.random.default_rng(3).normal(0.0, 0.002, off[span].size)
    found = detect_qrs(off, fs_hz=FS_HZ, method=method) / FS_HZ
    assert np.count_nonzero((found > 20.5) & (found < 39.5)) == 0
    assert np.count_nonzero(found > 40.5) == np.count_nonzero(beat_s > 40.5)


@every_method
@pytest.mark.parametrize("fs_hz", [360.0, 1000.0])
@pytest.mark.parametrize("ahead_s", [0.02, 0.15])
def test_pacing_spikes_are_not_beats(
    method: str, fs_hz: float, ahead_s: float, drawn_ecg: Callable[..., Floats], beat_s: Floats
) -> None:
    ecg = drawn_ecg(beat_s, DURATION_S, fs_hz=fs_hz)
    width = max(1, round(0.001 * fs_hz))
    for beat in beat_s:
        start = round((beat - ahead_s) * fs_hz)
        ecg[start : start + width] += 2.0
    assert_finds(detect_qrs(ecg, fs_hz=fs_hz, method=method), beat_s, fs_hz, tolerance_s=0.05)


@pytest.mark.parametrize(("fs_hz", "noise_mv"), [(125, 0.4), (250, 0.5), (500, 0.6), (1000, 0.6)])
def test_muscle_noise_that_spoils_every_shape_leaves_the_rhythm(
    fs_hz: float, noise_mv: float, drawn_ecg: Callable[..., Floats], beat_s: Floats
) -> None:
    """15 to 150 Hz: too few beats still look like beats to tell the rhythm."""
    noise = np.random.default_rng(11).normal(size=round(DURATION_S * fs_hz))
    spectrum, at_hz = np.fft.rfft(noise), np.fft.rfftfreq(noise.size, 1.0 / fs_hz)
    noise = np.fft.irfft(np.where((at_hz >= 15) & (at_hz <= 150), spectrum, 0), noise.size)
    ecg = drawn_ecg(beat_s, DURATION_S, fs_hz=fs_hz) + noise_mv * noise / noise.std()
    found = detect_qrs(ecg, fs_hz=fs_hz) / fs_hz
    off_s = np.abs(found[:, np.newaxis] - beat_s)
    assert np.mean(off_s.min(axis=0) < 0.15) > 0.9
    assert np.mean(off_s.min(axis=1) < 0.15) > 0.9


@pytest.mark.parametrize("after_s", [-0.16, 0.14, 0.18])
def test_an_artefact_within_the_refractory_period_does_not_hide_a_beat(
    after_s: float, ecg: Floats, beat_s: Floats
) -> None:
    time_s = np.arange(ecg.size) / FS_HZ
    for beat in beat_s[10::10]:
        away = (time_s - beat - after_s) / 0.02
        ecg = ecg + 1.5 * away * np.exp(-0.5 * away**2)  # steep, tall and of another shape
    assert_finds(detect_qrs(ecg, fs_hz=FS_HZ, method="slope"), beat_s, FS_HZ)


@every_method
def test_leads_are_fused_and_one_bad_lead_does_no_harm(
    method: str, ecg: Floats, beat_s: Floats
) -> None:
    rng = np.random.default_rng(4)
    leads = np.column_stack((ecg, 0.3 * rng.normal(size=ecg.size), -0.4 * ecg))
    assert_finds(detect_qrs(leads, fs_hz=FS_HZ, method=method), beat_s, FS_HZ)


@every_method
def test_a_lead_that_drops_out_is_replaced_by_the_other(
    method: str, ecg: Floats, beat_s: Floats
) -> None:
    leads = np.column_stack((ecg, ecg))
    leads[round(10 * FS_HZ) : round(25 * FS_HZ), 0] = np.nan
    leads[round(35 * FS_HZ) : round(50 * FS_HZ), 1] = 0.0
    assert_finds(detect_qrs(leads, fs_hz=FS_HZ, method=method), beat_s, FS_HZ)


@every_method
@pytest.mark.parametrize("kind", ["noise", "flat", "missing"])
def test_a_day_of_nothing_does_not_hang(method: str, kind: str) -> None:
    n = 24 * 3600 * 100
    day = {
        "noise": lambda: np.random.default_rng(2).normal(size=n),
        "flat": lambda: np.zeros(n),
        "missing": lambda: np.full(n, np.nan),
    }[kind]()
    found = detect_qrs(day, fs_hz=100.0, method=method)
    assert found.size <= 24 * 3600 * 5  # no faster than the refractory period
    if kind != "noise":
        assert found.size == 0


@every_method
@pytest.mark.parametrize("kind", ["steps", "wander", "impulses"])
def test_an_hour_of_artefact_does_not_hang(method: str, kind: str) -> None:
    n = 3600 * 200
    rng = np.random.default_rng(2)
    hour = {
        "steps": lambda: np.repeat(rng.normal(size=n // 50), 50),
        "wander": lambda: np.sin(np.arange(n) * 0.01),
        "impulses": lambda: np.where(rng.random(n) < 0.01, 1e6, 0.0),
    }[kind]()
    assert detect_qrs(hour, fs_hz=200.0, method=method).size <= 3600 * 5


@every_method
@given(seed=st.integers(0, 2**32 - 1), hr_bpm=st.floats(40, 150), gain=st.floats(1e-3, 1e3))
@settings(max_examples=25, deadline=None)
def test_any_steady_rhythm_is_found(method: str, seed: int, hr_bpm: float, gain: float) -> None:
    rng = np.random.default_rng(seed)
    rr_s = 60.0 / hr_bpm * np.exp(rng.normal(0.0, 0.05, 60))
    beat_s = 0.5 + np.cumsum(rr_s)
    duration_s = float(beat_s[-1]) + 0.5
    ecg = gain * narrow_beats(beat_s, duration_s)
    assert_finds(detect_qrs(ecg, fs_hz=FS_HZ, method=method), beat_s, FS_HZ)


@every_method
@given(
    values=st.lists(
        st.floats(allow_nan=True, allow_infinity=True, width=32), min_size=0, max_size=600
    )
)
@settings(max_examples=40, deadline=None)
def test_any_numbers_give_marks_inside_the_record(method: str, values: list[float]) -> None:
    found = detect_qrs(np.array(values, dtype=float), fs_hz=100.0, method=method)
    assert np.all((found >= 0) & (found < max(len(values), 1)))
    assert np.all(np.diff(found) > 0)


@pytest.mark.parametrize("method", ["slop", None, 3])
def test_an_unknown_method_is_named_with_what_there_is(method: object) -> None:
    with pytest.raises(InputError, match="slope, wavelet"):
        detect_qrs(np.zeros(1000), fs_hz=FS_HZ, method=method)  # type: ignore[arg-type]


def test_a_rate_too_low_for_qrs_complexes_is_refused() -> None:
    with pytest.raises(InputError, match="80 Hz"):
        detect_qrs(np.zeros(1000), fs_hz=50.0)
