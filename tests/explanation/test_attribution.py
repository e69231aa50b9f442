"""From signals to causes: simulated faults are named, and what is missing does not matter."""

from __future__ import annotations

import numpy as np
import pytest

from palpate.conditioning import window_grid
from palpate.ecg import beat_reference
from palpate.evaluation.scoring import score_windows
from palpate.explanation import WristSignals, causes_of, examine_band, oracle_windows
from palpate.heartrate import estimate
from palpate.motion import motion_windows
from palpate.ppg import ppg_windows
from palpate.signals import RateSeries, Role, WindowTable
from palpate.simulation import (
    ALDER,
    Bout,
    CadenceCoupling,
    ClockError,
    LowPerfusion,
    Shaking,
    simulate_session,
)

PART = {"source": "Alder", "start_s": 65.0, "end_s": 175.0}


def causes_under(fault, *, movement: str, demand_bpm: float, with_light: bool = True):
    """Causes of the plain estimate with one fault between two rests."""
    bouts = [
        Bout(activity="", duration_s=duration_s, demand_bpm=bpm, movement=how)
        for duration_s, bpm, how in (
            (60.0, 70.0, "still"),
            (120.0, demand_bpm, movement),
            (60.0, 75.0, "still"),
        )
    ]
    sim = simulate_session(seed=21, bouts=bouts, bands=(ALDER,), faults=[fault])
    chest, band = sim.session.recordings
    ecg = chest.of_role(Role.ECG)[0]
    reference = beat_reference(ecg.values, fs_hz=ecg.fs_hz)
    grid = reference.windows.with_columns(activity=np.full(len(reference.windows), ""))
    ppg, acc = (band.of_role(role)[0] for role in (Role.PPG, Role.ACC))
    skip = round((4.0 - band.clock_offset_s) * ppg.fs_hz)  # to the grid point at 4 s
    light, motion = ppg.values[skip:], acc.values[skip:]
    span = {"fs_hz": ppg.fs_hz, "start_s": 4.0}
    signals = WristSignals(light, motion, ppg.fs_hz, 4.0, 8.0, 2.0) if with_light else None
    tables = motion_windows(motion, unit="g", **span), ppg_windows(light, **span)
    beats_s = reference.beats.time_s
    evidence = examine_band(grid, tables if with_light else (), beats_s, signals)
    scored = score_windows(grid, estimate(light, motion, method="conventional", **span))
    return causes_of(scored, evidence, grid, beats_s), evidence


@pytest.mark.parametrize(
    ("fault", "movement", "demand_bpm"),
    [
        (CadenceCoupling(**PART, dose=2.0), "stepping", 150.0),
        (Shaking(**PART, dose=7.0), "gravel", 130.0),
        (LowPerfusion(**PART, dose=0.93), "still", 70.0),
    ],
)
def test_an_injected_fault_is_named(fault, movement, demand_bpm):
    found, _ = causes_under(fault, movement=movement, demand_bpm=demand_bpm)
    windows = found.windows
    inside = (windows.start_s >= PART["start_s"]) & (windows.end_s <= PART["end_s"])
    wrong = inside & (windows["status"] == "outside")
    assert wrong.sum() >= 10
    assert np.mean(windows["cause"][wrong] == fault.cause) >= 0.8


def test_a_clock_error_is_named_and_measured():
    fault = ClockError(source="Alder", start_s=0.0, end_s=240.0, dose=12.0)
    found, evidence = causes_under(fault, movement="still", demand_bpm=150.0)
    assert evidence.clock.offset_s == pytest.approx(12.0, abs=evidence.clock.within_s)
    counts = found.counts()
    assert counts["clock error"] >= 0.9 * sum(counts.values()) > 0


def test_a_band_without_light_leaves_its_windows_unexplained():
    fault = Shaking(**PART, dose=7.0)
    found, evidence = causes_under(fault, movement="gravel", demand_bpm=130.0, with_light=False)
    assert evidence.clock.reason == "the band gives no light"
    counts = found.counts()
    assert counts["unexplained"] > 0
    assert counts["shaking"] == counts["contact change"] == 0


def test_estimate_and_reference_are_looked_for_in_one_channel():
    # One channel carries the pulse far more clearly than the other carries the estimate: there
    # the estimate has no line, whatever the other shows.
    fs_hz, seconds = 32.0, 240
    time_s = np.arange(round(seconds * fs_hz)) / fs_hz
    rng = np.random.default_rng(0)
    lines = [10.0 * np.sin(2 * np.pi * 1.5 * time_s), 2.0 * np.sin(2 * np.pi * 2.2 * time_s)]
    light = np.stack(lines, axis=1) + rng.normal(size=(time_s.size, 2))
    start_s, end_s = window_grid(0.0, seconds)
    n = start_s.size
    grid = WindowTable(
        start_s,
        end_s,
        {
            "hr_bpm": np.full(n, 90.0),
            "trusted": np.ones(n, dtype=bool),
            "activity": np.full(n, ""),
        },
    )
    wrong_bpm = np.full(n, 132.0)
    rate = RateSeries("own", start_s, end_s, wrong_bpm, np.full(n, np.nan), np.full(n, ""))
    beats_s = np.arange(0.3, seconds, 60.0 / 90.0)
    signals = WristSignals(light, rng.normal(size=(time_s.size, 3)), fs_hz, 0.0, 8.0, 2.0)
    band = examine_band(grid, (), beats_s, signals)
    found = causes_of(score_windows(grid, rate), band, grid, beats_s).windows
    clearer = oracle_windows(light[:, 0], signals.acc, wrong_bpm, fs_hz=fs_hz)
    np.testing.assert_allclose(found["estimate_snr_db"], clearer["oracle_snr_db"])
    np.testing.assert_allclose(found["reference_snr_db"], band.oracle["oracle_snr_db"])
    lost = clearer["oracle_snr_db"] - clearer["oracle_snr_cancelled_db"]
    np.testing.assert_allclose(found["estimate_lost_db"], lost)
