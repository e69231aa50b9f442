"""Whatever is injected together, the signals stay signals and the truth stays the truth."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from palpate.signals import Role
from palpate.simulation import (
    ALDER,
    BIRCH,
    Bout,
    CadenceCoupling,
    ContactLoss,
    Ectopy,
    ElectrodeMotion,
    EstimatorLatency,
    HarmonicLock,
    HeldReading,
    LowPerfusion,
    MotionCoupling,
    PressureChange,
    Shaking,
    simulate_session,
)
from palpate.simulation.light import FULL_SCALE_COUNTS

STEPS = (Bout(activity="steps", duration_s=40.0, demand_bpm=120.0, movement="stepping"),)
ON_A_BAND = [
    CadenceCoupling, ContactLoss, EstimatorLatency, HarmonicLock, HeldReading, LowPerfusion,
    MotionCoupling, PressureChange, Shaking,
]  # fmt: skip


@st.composite
def any_fault(draw):
    kind = draw(st.sampled_from([*ON_A_BAND, Ectopy, ElectrodeMotion]))
    start_s = draw(st.floats(-3.0, 34.0))
    return kind(
        source=draw(st.sampled_from(["Alder", "Birch"])) if kind in ON_A_BAND else "chest",
        start_s=start_s,
        end_s=start_s + draw(st.floats(5.0, 30.0)),
        dose=draw(st.floats(0.0, min(kind.max_dose, 8.0))),
    )


@given(faults=st.lists(any_fault(), max_size=6), seed=st.integers(0, 2**32))
@settings(max_examples=25, deadline=None)
def test_any_mixture_of_faults_gives_finite_signals_in_range(faults, seed):
    sim = simulate_session(
        seed=seed, bouts=STEPS, bands=(ALDER, BIRCH), faults=faults, ecg_fs_hz=128.0
    )
    for recording in sim.session.recordings:
        for waveform in recording.waveforms:
            assert np.all(np.isfinite(waveform.values))
        for waveform in recording.of_role(Role.PPG):
            assert np.all(waveform.values == np.round(waveform.values))
            assert waveform.values.min() >= 0.0
            assert waveform.values.max() <= FULL_SCALE_COUNTS
        for waveform in recording.of_role(Role.ACC):
            assert np.abs(waveform.values).max() <= 8.0
    truth = sim.truth
    assert truth.faults == tuple(faults)
    assert np.all(np.diff(truth.beats.time_s) > 0.25)
    for feet_s in truth.pulse_foot_s.values():
        assert np.all((feet_s - truth.beats.time_s > 0.1) & (feet_s - truth.beats.time_s < 0.35))
