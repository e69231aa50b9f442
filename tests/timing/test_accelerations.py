from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal
from scipy.spatial.transform import Rotation

from palpate.timing import Verdict, align_accelerations
from palpate.validation import InputError

Floats = NDArray[np.float64]
LENGTH_S = 1200.0


def seen_by_another(
    acc: Floats,
    *,
    offset_s: float,
    drift_ppm: float = 0.0,
    fs_hz: float = 50.0,
    to_hz: float = 64.0,
) -> Floats:
    """Record what a turned, noisier device with 5 % of samples missing would."""
    rng = np.random.default_rng(7)
    own_s = np.arange(int((acc.shape[0] / fs_hz - abs(offset_s) - 1.0) * to_hz)) / to_hz
    at = (own_s * (1 + drift_ppm * 1e-6) + offset_s) * fs_hz
    index = np.arange(acc.shape[0])
    values = np.column_stack([np.interp(at, index, axis) for axis in acc.T])
    values = 9.81 * values @ Rotation.from_euler("xyz", (20, 70, -45), degrees=True).as_matrix()
    values += rng.standard_normal(values.shape)
    values[rng.random(values.shape[0]) < 0.05] = np.nan
    return values


def test_offset_and_drift_are_found_to_milliseconds_and_ppm(
    movement: Callable[..., Floats],
) -> None:
    acc = movement(1, 3600.0)
    other = seen_by_another(acc, offset_s=17.345, drift_ppm=42.0)
    fit = align_accelerations(acc, other, reference_fs_hz=50.0, fs_hz=64.0)
    assert fit.verdict is Verdict.KNOWN
    assert abs(fit.offset_s - 17.345) < 0.020
    assert abs(fit.drift_ppm - 42.0) < 5.0


def test_swapping_the_roles_inverts_the_clock(movement: Callable[..., Floats]) -> None:
    acc = movement(2, LENGTH_S)
    other = seen_by_another(acc, offset_s=8.2)
    there = align_accelerations(acc, other, reference_fs_hz=50.0, fs_hz=64.0)
    back = align_accelerations(other, acc, reference_fs_hz=64.0, fs_hz=50.0)
    middle_s = np.array([600.0])
    np.testing.assert_allclose(back.reference_s(there.reference_s(middle_s)), middle_s, atol=0.005)


def test_a_start_second_shifts_the_offset_by_as_much(movement: Callable[..., Floats]) -> None:
    acc = movement(3, LENGTH_S)
    other = seen_by_another(acc, offset_s=0.0)
    plain = align_accelerations(acc, other, reference_fs_hz=50.0, fs_hz=64.0)
    moved = align_accelerations(
        acc, other, reference_fs_hz=50.0, fs_hz=64.0, reference_start_s=100.0, start_s=30.0
    )
    assert moved.offset_s - plain.offset_s == pytest.approx(70.0, abs=0.005)


def test_recordings_that_overlap_by_half_are_aligned(movement: Callable[..., Floats]) -> None:
    acc = movement(4, LENGTH_S)
    fit = align_accelerations(acc[:40_000], acc[20_000:], reference_fs_hz=50.0, fs_hz=50.0)
    assert fit.offset_s == pytest.approx(400.0, abs=0.01)


def test_a_pause_is_found_to_the_second(movement: Callable[..., Floats]) -> None:
    acc = movement(5, LENGTH_S)
    kept = np.concatenate((acc[:30_000], acc[31_000:]))
    fit = align_accelerations(acc, kept, reference_fs_hz=50.0, fs_hz=50.0)
    assert fit.verdict is Verdict.KNOWN
    first, second = fit.pieces
    assert first.middle_lag_s == pytest.approx(0.0, abs=0.01)
    assert second.middle_lag_s == pytest.approx(20.0, abs=0.01)
    assert first.end_s == pytest.approx(600.0, abs=2.0)
    np.testing.assert_allclose(fit.reference_s(np.array([100.0, 900.0])), [100.0, 920.0], atol=0.02)


def test_unrelated_movement_is_refused(movement: Callable[..., Floats]) -> None:
    wrists = [movement(seed, 600.0) for seed in range(20, 28)]
    for number, first in enumerate(wrists):
        for second in wrists[:number]:
            fit = align_accelerations(first, second, reference_fs_hz=50.0, fs_hz=50.0)
            assert fit.verdict is not Verdict.KNOWN


def test_steady_steps_are_right_or_ambiguous_by_whole_steps() -> None:
    """Slowly changing effort tells the moment, but each step looks like the next."""
    step_s, verdicts = 0.5, set()
    time_s = np.arange(0.0, LENGTH_S, 0.02)
    keep = np.exp(-1.0 / (60.0 * 50.0))
    for seed in range(4):
        rng = np.random.default_rng(seed)
        effort = signal.lfilter([1 - keep], [1, -keep], rng.standard_normal(time_s.size))
        steps = np.exp(effort / effort.std()) * np.cos(2 * np.pi * time_s / step_s)
        acc = np.column_stack((0 * steps, 0 * steps, 3.0 + 0.5 * steps))
        first, second = (acc + rng.normal(0, 0.6, acc.shape) for _ in range(2))
        fit = align_accelerations(first, second, reference_fs_hz=50.0, fs_hz=50.0)
        verdicts.add(fit.verdict)
        if fit.verdict is Verdict.KNOWN:
            assert fit.offset_s == pytest.approx(0.0, abs=0.02)
        else:
            assert np.isnan(fit.offset_s)
            assert fit.confidence < 1.0
            whole = np.array(fit.alternatives_s) / step_s
            np.testing.assert_allclose(whole, np.round(whole), atol=0.1)
    assert Verdict.AMBIGUOUS in verdicts


def test_strangers_are_told_what_would_have_been_needed(movement: Callable[..., Floats]) -> None:
    fit = align_accelerations(
        movement(1, 300.0), movement(101, 300.0), reference_fs_hz=50.0, fs_hz=50.0
    )
    assert fit.verdict is Verdict.UNKNOWN
    assert fit.reason == "they share too little to be sure (p = 1; below 0.2 is needed)"


def test_stillness_is_refused() -> None:
    still = np.tile([0.0, 0.0, 1.0], (30_000, 1))
    fit = align_accelerations(still, still, reference_fs_hz=50.0, fs_hz=50.0)
    assert fit.verdict is Verdict.UNKNOWN
    assert fit.reason


@pytest.mark.filterwarnings("error")
def test_an_empty_recording_is_refused(movement: Callable[..., Floats]) -> None:
    acc = movement(8, 100.0)
    fit = align_accelerations(acc, acc[:0], reference_fs_hz=50.0, fs_hz=50.0)
    assert fit.reason == "the recording holds no movement"


def test_all_missing_is_refused() -> None:
    nothing = np.full((30_000, 3), np.nan)
    fit = align_accelerations(nothing, nothing, reference_fs_hz=50.0, fs_hz=50.0)
    assert fit.verdict is Verdict.UNKNOWN


def test_the_input_is_not_changed(movement: Callable[..., Floats]) -> None:
    acc = movement(8, 300.0)
    before = acc.copy()
    align_accelerations(acc, acc, reference_fs_hz=50.0, fs_hz=50.0)
    np.testing.assert_array_equal(acc, before)


def test_a_rate_too_slow_is_refused_in_one_sentence(movement: Callable[..., Floats]) -> None:
    acc = movement(8, 300.0)
    with pytest.raises(InputError, match="5 Hz is too slow"):
        align_accelerations(acc, acc, reference_fs_hz=5.0, fs_hz=50.0)


def test_two_sensors_on_one_wrist_are_aligned_within_20_ms(data_dir: Path) -> None:
    """Wrist PPG During Exercise (Jarchi & Casson 2017): two accelerometers, one cut short."""
    edfio = pytest.importorskip("edfio", reason="the recordings are EDF files")
    paths = sorted((data_dir / "datasets" / "wrist_ppg_exercise").glob("s[345]_*.edf"))
    assert paths
    for path in paths:
        document = edfio.read_edf(path, lazy_load_data=True)
        first, second = (
            np.column_stack([document.signals[i].data for i in channels])
            for channels in ((5, 6, 7), (8, 9, 10))
        )
        cut = 3163
        fit = align_accelerations(first, second[cut:], reference_fs_hz=256.0, fs_hz=256.0)
        assert fit.verdict is Verdict.KNOWN
        assert fit.pieces[0].middle_lag_s == pytest.approx(cut / 256.0, abs=0.020)
