"""Where in a QRS complex its mark belongs, and when exactly it peaks.

Where one narrow deflection towers over the rest of a complex, as the R peak of a normal beat
does, the mark goes to its summit, at the ECG's own rate. A complex without such a deflection
is marked in its middle: the centre of the curve's length around the peak of its energy.

Conventions
-----------
* Either polarity; amplitudes are from the median of the surrounding 0.24 s, which is near the
  baseline unless the complex is too wide to have an R peak anyway.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from palpate.conditioning.statistics import ratio
from palpate.ecg.qrs_energy import Grid, row_medians
from palpate.signals import BoolArray, FloatArray, IntArray

_BASELINE_S = 0.12
_QRS_S = 0.06
_REACH_S = 0.025  # an R peak lies this near the middle of a narrow complex
_TOWERS = 2.0  # over any deflection of the other sign
_MIDDLE_S = 0.08  # half of a wide complex
_SHOWN = 0.5  # of the usual length of the curve
_NARROW_S = 0.035  # falls to half its height this soon on both sides
_FINE_S = 0.012
_SMOOTH_S = 0.008  # twice; hides mains and rounding, keeps the peak


def placed(working: FloatArray, beats: IntArray, lead: FloatArray, grid: Grid) -> IntArray:
    """Return sample indices of ``lead (n,)`` for beats that are samples of ``working``."""
    if beats.size == 0:
        return beats
    wide, qrs = grid.samples(_BASELINE_S), grid.samples(_QRS_S)
    windows = working.take(np.arange(-wide, wide + 1)[:, np.newaxis] + beats, mode="clip")
    windows -= row_medians(windows.T)
    height, offset = _tallest(windows, grid.samples(_REACH_S))
    upright = windows * np.sign(height)
    opposite = -upright[wide - qrs : wide + qrs + 1].min(axis=0)
    narrow = _is_narrow(upright, wide + offset, grid.samples(_NARROW_S))
    clear = (height != 0.0) & narrow & (np.abs(height) >= _TOWERS * opposite)
    offset = np.where(clear, offset, _middle(windows, grid.samples(_MIDDLE_S)))
    marks = np.round((beats + offset) * grid.factor).astype(np.intp)
    marks = np.clip(marks, 0, lead.size - 1)
    marks[clear] = _summits(lead, marks[clear], np.sign(height[clear]), grid)
    return marks[np.concatenate(([True], np.diff(marks) > 0))]


def _middle(windows: FloatArray, reach: int) -> FloatArray:
    """Return the offset of the centre of each curve's length, as far as ``reach`` either way.

    Where the lead shows much less than its usual complex, it may have lost it, and the
    offset is 0.
    """
    middle = windows.shape[0] // 2
    length = np.abs(np.diff(windows[middle - reach : middle + reach + 1], axis=0))
    total = length.sum(axis=0)
    shown = total > _SHOWN * np.median(total)
    centre = (np.arange(-reach, reach) + 0.5) @ length
    return ratio(np.asarray(centre), np.where(shown, total, np.nan), undefined=0.0)


def _tallest(windows: FloatArray, reach: int) -> tuple[FloatArray, IntArray]:
    """Return height and offset of the tallest local extremum near the middle, else 0 and 0."""
    middle = windows.shape[0] // 2
    left, here, right = (windows[middle - reach + d : middle + reach + 1 + d] for d in (-1, 0, 1))
    size = np.where(_is_extreme(left, here, right), np.abs(here), 0.0)
    at = size.argmax(axis=0)
    columns = np.arange(at.size)
    found = size[at, columns] > 0.0
    return np.where(found, here[at, columns], 0.0), np.where(found, at - reach, 0)


def _is_extreme(left: FloatArray, here: FloatArray, right: FloatArray) -> BoolArray:
    top = (here > 0) & (here >= left) & (here >= right)
    bottom = (here < 0) & (here <= left) & (here <= right)
    return np.asarray(top | bottom)


def _is_narrow(upright: FloatArray, peak: IntArray, within: int) -> BoolArray:
    """Return whether each curve falls to half its peak within so many samples on both sides."""
    columns, steps = np.arange(peak.size), np.arange(1, within + 1)[:, np.newaxis]
    left = upright[peak - steps, columns].min(axis=0)
    right = upright[peak + steps, columns].min(axis=0)
    half = 0.5 * upright[peak, columns]
    return np.asarray((left <= half) & (right <= half))


def _summits(lead: FloatArray, marks: IntArray, sign: FloatArray, grid: Grid) -> IntArray:
    """Move marks to the nearby summit of the smoothed lead at its own rate."""
    fs_hz = grid.rate_hz * grid.factor
    fine, smooth = max(1, round(_FINE_S * fs_hz)), round(_SMOOTH_S * fs_hz) | 1
    reach = np.arange(-fine - smooth, fine + smooth + 1)
    near = lead.take(reach[:, np.newaxis] + marks, mode="clip") * sign
    for _ in range(2):
        near = ndimage.uniform_filter1d(near, smooth, axis=0)
    offset = near[smooth:-smooth].argmax(axis=0) - fine
    return np.asarray(np.clip(marks + offset, 0, lead.size - 1))
