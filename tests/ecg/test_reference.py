"""The beat reference: right where it is trusted, and honest where it cannot be."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray

from palpate.ecg import BeatReference, beat_reference, reference_beats, window_heart_rate
from palpate.ecg.reference import OPINIONS
from palpate.ecg.trust import REASONS
from palpate.validation import InputError

Floats = NDArray[np.float64]
FS_HZ = 250.0
DURATION_S = 120.0


@pytest.fixture(scope="module")
def beats(steady_beats: Callable[..., Floats]) -> Floats:
    return steady_beats(0.6, DURATION_S)


@pytest.fixture(scope="module")
def clean(drawn_ecg: Callable[..., Floats], beats: Floats) -> Floats:
    return drawn_ecg(beats, DURATION_S, fs_hz=FS_HZ)


def worst_error_bpm(found: BeatReference, beats: Floats, start_s: float = 0.0) -> float:
    table = found.windows
    truth = window_heart_rate(beats + start_s, table.start_s, table.end_s)
    error = np.abs(table["hr_bpm"] - truth)[table["trusted"]]
    return float(error.max(initial=0.0))


def test_clean_ecg_is_trusted_and_right(clean: Floats, beats: Floats) -> None:
    found = beat_reference(clean, fs_hz=FS_HZ)
    assert found.windows["trusted"].all()
    assert len(found.beats) == beats.size
    # The steepest point, not the peak, may carry the mark: the same for every beat.
    offset = found.beats.time_s - beats
    assert np.ptp(offset) < 0.012
    assert worst_error_bpm(found, beats) < 0.2


def test_beats_alone_are_those_of_the_whole_reference(clean: Floats) -> None:
    noisy = clean + np.random.default_rng(3).normal(0.0, 0.3, clean.size)
    whole = beat_reference(noisy, fs_hz=FS_HZ, start_s=7.5)
    assert len(whole.beats) > 100
    assert_array_equal(reference_beats(noisy, fs_hz=FS_HZ, start_s=7.5), whole.beats.time_s)


@pytest.mark.parametrize("scale", [1e-4, -1.0, 1e4])
def test_gain_and_polarity_change_no_verdict(clean: Floats, scale: float) -> None:
    found, other = (beat_reference(x, fs_hz=FS_HZ) for x in (clean, scale * clean))
    assert_array_equal(found.windows["reason"], other.windows["reason"])
    assert_allclose(found.windows["hr_bpm"], other.windows["hr_bpm"], atol=0.5)


@pytest.mark.parametrize("fs_hz", [100.0, 128.0, 360.0, 1000.0])
def test_sampling_rate_changes_no_count(
    drawn_ecg: Callable[..., Floats], beats: Floats, fs_hz: float
) -> None:
    found = beat_reference(drawn_ecg(beats, DURATION_S, fs_hz=fs_hz), fs_hz=fs_hz)
    assert found.windows["trusted"].all()
    assert worst_error_bpm(found, beats) < 0.5


def test_times_follow_the_start(clean: Floats, beats: Floats) -> None:
    found = beat_reference(clean, fs_hz=FS_HZ, start_s=1000.0, window_s=10.0, step_s=5.0)
    assert_array_equal(found.windows.start_s, 1000.0 + 5.0 * np.arange(23))
    assert worst_error_bpm(found, beats, 1000.0) < 0.2
    assert found.beats.time_s[0] > 1000.0


def test_missing_and_flat_stretches_are_untrusted_by_name(clean: Floats, beats: Floats) -> None:
    ecg = clean.copy()
    ecg[round(20 * FS_HZ) : round(24 * FS_HZ)] = np.nan
    ecg[round(60 * FS_HZ) : round(64 * FS_HZ)] = 0.01
    found = beat_reference(ecg, fs_hz=FS_HZ)
    reason = dict(zip(found.windows.start_s.tolist(), found.windows["reason"], strict=True))
    assert {reason[t] for t in (14.0, 16.0, 18.0, 20.0, 22.0)} == {"missing"}
    assert {reason[t] for t in (54.0, 56.0, 58.0, 60.0, 62.0)} == {"flat"}
    assert {reason[t] for t in (0.0, 40.0, 80.0, 100.0)} == {""}
    assert worst_error_bpm(found, beats) < 0.2


def test_noise_alone_is_never_trusted() -> None:
    rng = np.random.default_rng(11)
    noise = rng.normal(size=round(300 * FS_HZ))
    walk = np.cumsum(rng.normal(size=noise.size))
    for ecg in (noise, walk):
        assert np.mean(beat_reference(ecg, fs_hz=FS_HZ).windows["trusted"]) < 0.05


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize("fs_hz", [250.0, 500.0, 1000.0])
def test_mains_alone_is_never_trusted(mains_hz: float, fs_hz: float) -> None:
    mains = np.sin(2.0 * np.pi * mains_hz * np.arange(round(200 * fs_hz)) / fs_hz)
    assert not beat_reference(mains, fs_hz=fs_hz).windows["trusted"].any()


@pytest.mark.filterwarnings("error")
def test_waves_that_cancel_each_other_are_no_shape() -> None:
    fs_hz = 256.0
    counts = np.round(200.0 * np.sin(2.0 * np.pi * 50.0 * np.arange(round(300 * fs_hz)) / fs_hz))
    assert not beat_reference(counts, fs_hz=fs_hz).windows["trusted"].any()


def test_a_stretch_drowned_in_muscle_noise_is_right_or_untrusted(
    clean: Floats, beats: Floats
) -> None:
    ecg = clean.copy()
    stretch = slice(round(40 * FS_HZ), round(80 * FS_HZ))
    ecg[stretch] += np.random.default_rng(3).normal(0.0, 0.6, stretch.stop - stretch.start)
    found = beat_reference(ecg, fs_hz=FS_HZ)
    assert worst_error_bpm(found, beats) < 5.0
    outside = (found.windows.end_s <= 30.0) | (found.windows.start_s >= 90.0)
    assert found.windows["trusted"][outside].all()


@pytest.mark.parametrize(("count", "seed"), [(12, 0), (20, 3), (40, 0)])
def test_spikes_between_beats_are_no_beats_that_anyone_trusts(
    drawn_ecg: Callable[..., Floats], steady_beats: Callable[..., Floats], count: int, seed: int
) -> None:
    """Tall and short, as static charge leaves them: both detectors mark some."""
    beats = steady_beats(0.8, DURATION_S)
    ecg = drawn_ecg(beats, DURATION_S, fs_hz=FS_HZ)
    places = np.random.default_rng(seed).uniform(2.0, DURATION_S - 2.0, count)
    ecg[np.round(places * FS_HZ).astype(np.intp)] += 10.0
    found = beat_reference(ecg, fs_hz=FS_HZ)
    assert found.windows["trusted"].any()
    assert worst_error_bpm(found, beats) < 3.0


def test_a_pause_and_a_premature_beat_are_marked_and_left_alone(
    drawn_ecg: Callable[..., Floats], beats: Floats
) -> None:
    odd = np.delete(beats, 60)
    odd[120] -= 0.2
    found = beat_reference(drawn_ecg(odd, DURATION_S, fs_hz=FS_HZ), fs_hz=FS_HZ)
    assert len(found.beats) == odd.size
    assert_allclose(found.beats.time_s, odd, atol=0.03)
    assert found.beats.label is not None
    assert found.beats.label[60] != "normal"
    assert "ectopic" in found.beats.label[120:122]
    at = np.flatnonzero((found.windows.start_s <= odd[59]) & (found.windows.end_s > odd[60]))
    assert np.all(found.windows["n_marked"][at] >= 1)


def test_irregularity_is_the_relative_successive_difference(
    drawn_ecg: Callable[..., Floats],
) -> None:
    rr = np.tile([0.7, 0.8], 75)
    beats = 0.5 + np.cumsum(rr)
    table = beat_reference(drawn_ecg(beats, 112.0, fs_hz=FS_HZ), fs_hz=FS_HZ).windows
    assert_allclose(table["irregularity"], 0.1 / 0.75, rtol=0.1)


def test_the_better_lead_carries_a_bad_one(clean: Floats, beats: Floats) -> None:
    rng = np.random.default_rng(4)
    for bad in (np.full(clean.size, np.nan), rng.normal(0.0, 0.3, clean.size)):
        found = beat_reference(np.column_stack((bad, clean)), fs_hz=FS_HZ)
        assert np.mean(found.windows["trusted"]) > 0.95
        assert worst_error_bpm(found, beats) < 1.0


def test_dissent_is_named_and_sized(clean: Floats) -> None:
    ecg = clean.copy()
    stretch = slice(round(40 * FS_HZ), round(80 * FS_HZ))
    ecg[stretch] += np.random.default_rng(3).normal(0.0, 0.6, stretch.stop - stretch.start)
    table = beat_reference(ecg, fs_hz=FS_HZ).windows
    for row in range(len(table)):
        name = str(table["dissenter"][row])
        if name:
            assert name in OPINIONS
            apart = table[f"hr_{name}_bpm"][row] - table["hr_bpm"][row]
            assert_allclose(table["disagreement_bpm"][row], apart)
    quiet = table["dissenter"] == ""
    assert not beat_reference(np.full(5000, np.nan), fs_hz=FS_HZ).windows["dissenter"].any()
    assert np.all(np.abs(table["disagreement_bpm"][quiet]) <= 3.0)


def test_every_reason_is_documented_and_every_trusted_window_has_none(clean: Floats) -> None:
    ecg = clean + np.random.default_rng(9).normal(0.0, 0.4, clean.size)
    table = beat_reference(ecg, fs_hz=FS_HZ).windows
    assert set(table["reason"].tolist()) <= {"", *REASONS}
    assert_array_equal(table["trusted"], table["reason"] == "")


@pytest.mark.parametrize(
    "ecg",
    [np.zeros(0), np.zeros(10), np.zeros(5000), np.full(5000, np.nan), np.zeros((5000, 2))],
    ids=["empty", "short", "flat", "missing", "flat leads"],
)
def test_nothing_to_see_gives_no_trusted_window(ecg: Floats) -> None:
    found = beat_reference(ecg, fs_hz=FS_HZ)
    assert len(found.beats) == 0
    assert not found.windows["trusted"].any()
    assert np.isnan(found.windows["hr_bpm"]).all()


def test_input_is_left_alone(clean: Floats) -> None:
    before = clean.copy()
    beat_reference(clean, fs_hz=FS_HZ)
    assert_array_equal(clean, before)


def test_bad_input_says_what_to_do() -> None:
    with pytest.raises(InputError, match="shape"):
        beat_reference(np.zeros((10, 2, 2)), fs_hz=FS_HZ)
    with pytest.raises(InputError, match="fs_hz"):
        beat_reference(np.zeros(1000), fs_hz=-1.0)


def spc_errors(folder: Path, name: str) -> tuple[Floats, NDArray[np.bool_]]:
    from scipy.io import loadmat

    ecg = loadmat(folder / f"{name}.mat")["sig"][0].astype(float)
    truth = loadmat(folder / f"{name}_BPMtrace.mat")["BPM0"].ravel()
    table = beat_reference(ecg, fs_hz=125.0).windows
    size = min(truth.size, len(table))
    return (table["hr_bpm"][:size] - truth[:size]), table["trusted"][:size]


def test_trusted_windows_of_poor_exercise_ecg_match_the_published_reference(
    data_dir: Path,
) -> None:
    # DATA_11, DATA_12 and stretches of DATA_04 are the poor ones of the twelve.
    folder = data_dir / "datasets" / "ieee_spc2015"
    for name in ("DATA_04_TYPE02", "DATA_11_TYPE02", "DATA_12_TYPE02"):
        error, trusted = spc_errors(folder, name)
        assert np.mean(trusted) > 0.8
        assert np.max(np.abs(error[trusted])) < 5.0
        assert np.mean(np.abs(error[trusted])) < 0.4


def test_electrode_motion_noise_is_flagged_where_it_misleads(data_dir: Path) -> None:
    wfdb = pytest.importorskip("wfdb", reason="reads the noise stress record")
    stem = str(data_dir / "datasets" / "nstdb_partial" / "118e06")
    ecg, notes = wfdb.rdrecord(stem).p_signal[:, 0], wfdb.rdann(stem, "atr")
    beats = notes.sample[np.isin(notes.symbol, list("NLRBAaJSVrFejnE/fQ?"))] / 360.0
    table = beat_reference(ecg, fs_hz=360.0).windows
    truth = window_heart_rate(beats, table.start_s, table.end_s)
    wrong = ~(np.abs(table["hr_bpm"] - truth) <= 5.0)
    before_noise = table.end_s <= 300.0
    assert np.count_nonzero(wrong) > 20
    assert np.mean(~table["trusted"][wrong]) > 0.8
    assert np.mean(wrong[table["trusted"]]) < 0.03
    assert np.mean(table["trusted"][before_noise]) > 0.9
