"""A device that holds its number in light that moves with the arm and yet shows the pulse."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from palpate.explanation import CAUSES, CauseTable, attribute_causes
from palpate.pipeline import explain_session
from palpate.results import Options
from palpate.signals import BoolArray
from palpate.simulation import (
    ALDER,
    Bout,
    CadenceCoupling,
    Fault,
    HeldReading,
    MotionCoupling,
    simulate_session,
)
from palpate.simulation.scenario import Movement

QUICK = replace(ALDER, latency_s=1.0, smoothing_s=2.0)
HELD = HeldReading(source=QUICK.name, start_s=62.0, end_s=150.0, dose=88.0)
LEAK = CadenceCoupling(source=QUICK.name, start_s=65.0, end_s=180.0, dose=1.5)
BURIAL = MotionCoupling(source=QUICK.name, start_s=62.0, end_s=180.0, dose=5.0)


def causes_with(*faults: Fault, movement: Movement = "stepping") -> CauseTable:
    bouts = [
        Bout(activity="rest", duration_s=60.0, demand_bpm=75.0, movement="still"),
        Bout(activity="work", duration_s=120.0, demand_bpm=150.0, movement=movement),
    ]
    sim = simulate_session(seed=11, bouts=bouts, bands=[QUICK], faults=faults, ecg_fs_hz=256.0)
    (device,) = explain_session(sim.session, Options(methods=())).sources
    return device.causes


def outside(causes: CauseTable, start_s: float = 62.0, end_s: float = 150.0) -> BoolArray:
    """Tell which windows lie between and are outside tolerance."""
    windows = causes.windows
    inside = (windows.start_s >= start_s) & (windows.end_s <= end_s)
    return np.asarray(inside & (windows["cause"] != ""))


@pytest.fixture(scope="module")
def held() -> CauseTable:
    return causes_with(HELD, LEAK)


def test_holding_is_named_although_the_arm_is_in_the_light(held: CauseTable) -> None:
    named = held.windows["cause"][outside(held)]
    assert named.size >= 30
    assert np.mean(named == "held reading") >= 0.95
    others = [cause for cause in CAUSES if cause.name != "held reading"]
    blamed = attribute_causes(held.windows, causes=others).windows["cause"][outside(held)]
    assert np.mean(blamed == "motion swamping") >= 0.5


def test_the_sentence_has_the_length_of_the_hold_and_the_rates(held: CauseTable) -> None:
    last = int(np.flatnonzero(held.windows["cause"] == "held reading")[-1])
    assert held.windows["held_s"][last] == pytest.approx(HELD.dose, abs=4.0)
    assert held.windows["held_from_bpm"][last] == pytest.approx(75.0, abs=5.0)
    text = held.sentence(last)
    assert text.startswith(f"It stood at {held.windows['estimate_bpm'][last]:.0f} bpm for ")
    assert f"to {held.windows['reference_bpm'][last]:.0f} here" in text


def test_the_same_movement_without_a_hold_is_no_held_reading() -> None:
    moving = causes_with(LEAK)
    assert outside(moving).sum() >= 10
    assert moving.counts()["held reading"] == 0


def test_a_hold_in_light_that_movement_buries_is_swamping() -> None:
    buried = causes_with(HELD, BURIAL, movement="handling")
    named = buried.windows["cause"][outside(buried)]
    assert named.size >= 30
    assert np.mean(named == "motion swamping") >= 0.8
    assert "held reading" not in named
