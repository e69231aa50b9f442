"""Sharpen a tracked rate by the phase advance of its spectral line.

Over a time ``T`` a line of frequency ``f`` turns by ``2 pi f T``. The track tells the whole
turns, the phase tells the rest, far more finely than the width of the line (the phase
vocoder of Flanagan & Golden 1966, Bell Syst Tech J 45:1493).

Deviation: the phase is compared between the windows half a window before and after, so the
advance spans the window itself, and the mean of track and phase is taken: either alone is
noisier.
"""

from __future__ import annotations

import numpy as np

from palpate.heartrate.spectra import ComplexArray, RateAxis, power
from palpate.signals import FloatArray


def phase_refined(
    hr_bpm: FloatArray, spectra: ComplexArray, axis: RateAxis, *, half_span: int, step_s: float
) -> FloatArray:
    """Return the rates ``(w,)`` averaged with what the phase of ``spectra (w, f, c)`` says.

    Parameters
    ----------
    half_span
        Windows from the middle to either side; fewer at the record's ends.
    """
    bin_bpm = axis.rate_bpm[1] - axis.rate_bpm[0]
    place = np.round((hr_bpm - axis.rate_bpm[0]) / bin_bpm).astype(np.intp)
    window = np.arange(hr_bpm.size)
    before = np.maximum(window - half_span, 0)
    after = np.minimum(window + half_span, hr_bpm.size - 1)
    span_min = np.maximum(after - before, 1) * step_s / 60.0
    level = np.sqrt(power(spectra).sum(axis=1))
    level = level[after] * level[before]
    turns = spectra[after, place] * np.conj(spectra[before, place])
    turn = np.divide(turns, level, out=np.zeros_like(turns), where=level > 0).sum(axis=1)
    missed = np.angle(turn) / (2.0 * np.pi) - hr_bpm * span_min
    missed -= np.round(missed)
    known = (np.abs(turn) > 0) & (after > before)
    return np.asarray(hr_bpm + np.where(known, 0.5 * missed / span_min, 0.0))
