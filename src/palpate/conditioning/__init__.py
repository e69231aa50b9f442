"""Filters, resampling, gaps, spectra and window grids: what every later stage starts from."""

from palpate.conditioning.filters import zero_phase
from palpate.conditioning.gaps import bridge_gaps, runs
from palpate.conditioning.resampling import interpolate, resample
from palpate.conditioning.spectra import (
    HANN_NOISE_BINS,
    normalised_entropy,
    parabolic_peak,
    power_spectra,
    vertex_shift,
)
from palpate.conditioning.windows import (
    STEP_S,
    WINDOW_S,
    SignalWindows,
    window_grid,
    window_samples,
    windowed,
)

__all__ = [
    "HANN_NOISE_BINS",
    "STEP_S",
    "WINDOW_S",
    "SignalWindows",
    "bridge_gaps",
    "interpolate",
    "normalised_entropy",
    "parabolic_peak",
    "power_spectra",
    "resample",
    "runs",
    "vertex_shift",
    "window_grid",
    "window_samples",
    "windowed",
    "zero_phase",
]
