"""Synthetic sessions with injected, known causes: what the explanation is tested against."""

from palpate.simulation.faults import (
    CadenceCoupling,
    ClockError,
    ContactLoss,
    Ectopy,
    ElectrodeMotion,
    EstimatorLatency,
    Fault,
    HarmonicLock,
    HeldReading,
    LowPerfusion,
    MotionCoupling,
    PressureChange,
    Shaking,
)
from palpate.simulation.files import write_session
from palpate.simulation.recordings import TrueClock
from palpate.simulation.scenario import ALDER, BANDS, BIRCH, Band, Bout, hut_faults, hut_supply
from palpate.simulation.session import SimulatedSession, Truth, simulate_session

__all__ = [
    "ALDER",
    "BANDS",
    "BIRCH",
    "Band",
    "Bout",
    "CadenceCoupling",
    "ClockError",
    "ContactLoss",
    "Ectopy",
    "ElectrodeMotion",
    "EstimatorLatency",
    "Fault",
    "HarmonicLock",
    "HeldReading",
    "LowPerfusion",
    "MotionCoupling",
    "PressureChange",
    "Shaking",
    "SimulatedSession",
    "TrueClock",
    "Truth",
    "hut_faults",
    "hut_supply",
    "simulate_session",
    "write_session",
]
