"""A band's channels on the session's grid: light, motion, and the device's own readings.

A waveform is cut so that its first sample falls on a grid point, and its clock drift is
taken up by its sampling rate. What is measured on one sensor is measured at that sensor's
rate and meets the rest window by window. Only what takes light and motion together, the
estimators and the oracle, gets acceleration on the light's samples.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from palpate.conditioning import resample
from palpate.explanation import WristSignals
from palpate.motion import gyro_windows, motion_flags, motion_windows
from palpate.results import DEVICE
from palpate.signals import (
    FloatArray,
    RateSeries,
    Recording,
    Role,
    Waveform,
    WindowTable,
    usual_step_s,
)

SAME_INTERVAL = 0.01
"""A device keeps pace with the windows if its usual interval is longer than their step by no
more than this share of it (own choice)."""


def wrist_signals(band: Recording, *, window_s: float, step_s: float) -> WristSignals | None:
    """Return a band's light and acceleration; None where no light fills a window.

    Several lights are columns side by side, on the samples of the fastest; of several
    accelerometers the first is taken.
    """
    lights = sorted(band.of_role(Role.PPG), key=lambda light: light.fs_hz, reverse=True)
    if not lights:
        return None
    ppg, fs_hz, start_s = from_grid_point(band, lights[0], step_s)
    if ppg.shape[0] < round(window_s * fs_hz):
        return None

    def moved(waveform: Waveform) -> FloatArray:
        return beside(band, waveform, start_s=start_s, fs_hz=fs_hz, n=ppg.shape[0], step_s=step_s)

    acc = moved(band.of_role(Role.ACC)[0]) if band.of_role(Role.ACC) else None
    columns = np.column_stack([ppg, *map(moved, lights[1:])])
    return WristSignals(columns, acc, fs_hz, start_s, window_s, step_s)


def wrist_motion(band: Recording, *, window_s: float, step_s: float) -> WindowTable | None:
    """Measure and flag a band's motion at its sensors' own rates; None without accelerometer.

    As from ``motion_windows``, with the column ``flag``, for the windows that the
    accelerometer covers.
    """
    if not band.of_role(Role.ACC):
        return None
    waveform = band.of_role(Role.ACC)[0]
    span: dict[str, Any] = {"window_s": window_s, "step_s": step_s}
    acc, fs_hz, start_s = from_grid_point(band, waveform, step_s)
    moved = motion_windows(acc, fs_hz=fs_hz, unit=waveform.unit, start_s=start_s, **span)
    if band.of_role(Role.GYRO):
        gyro, fs_hz, start_s = from_grid_point(band, band.of_role(Role.GYRO)[0], step_s)
        moved = moved.joined(gyro_windows(gyro, fs_hz=fs_hz, start_s=start_s, **span))
    return moved.with_columns(flag=motion_flags(moved))


def from_grid_point(
    recording: Recording, waveform: Waveform, step_s: float
) -> tuple[FloatArray, float, float]:
    """Cut a waveform at its first grid point; return values, rate and start on session time."""
    fs_hz = waveform.fs_hz / (1.0 + recording.clock_drift_ppm * 1e-6)
    begins_s = float(recording.session_s(np.array([waveform.start_s]))[0])
    start_s = step_s * float(np.ceil(begins_s / step_s - 1e-6))
    skip = round((start_s - begins_s) * fs_hz)
    return waveform.values[skip:], fs_hz, start_s


def beside(
    band: Recording, waveform: Waveform, *, start_s: float, fs_hz: float, n: int, step_s: float
) -> FloatArray:
    """Return a waveform on the light's samples, ``(n, columns)``, NaN outside."""
    values, own_hz, own_start_s = from_grid_point(band, waveform, step_s)
    moved = resample(values, fs_hz=own_hz, to_hz=fs_hz)
    lead = round((own_start_s - start_s) * fs_hz)
    first, last = np.clip((lead, lead + moved.shape[0]), 0, n)
    result = np.full((n, moved.shape[1]), np.nan)
    result[first:last] = moved[first - lead : last - lead]
    return result


def readings_per_window(rate: RateSeries, band: Recording, windows: WindowTable) -> RateSeries:
    """Return what a device says in each window.

    A reading belongs to its stamp, ``start_s``. A window takes the median of the readings
    stamped in it: a device that locks onto a wrong rate jumps there, and a mean would show
    rates between the two that it never gave. A window without any stamp takes the reading that
    the device still held at the window's middle. A reading is held until its ``end_s``, which
    for readings from a file is the next stamp, or one and a half usual intervals after its own
    if that comes first (`held_until`).
    """
    hr_bpm = _stamped(rate, band, windows)
    hr_bpm = np.where(np.isfinite(hr_bpm), hr_bpm, _held(rate, band, windows.middle_s))
    return RateSeries(
        source=DEVICE if len(band.rates) == 1 else f"{DEVICE} {rate.source}",
        start_s=windows.start_s,
        end_s=windows.end_s,
        hr_bpm=hr_bpm,
        confidence=np.full(len(windows), np.nan),
        reason=np.where(np.isfinite(hr_bpm), "", "the device gave no value"),
    )


def update_note(
    rate: RateSeries, band: Recording, found: RateSeries, *, step_s: float
) -> str | None:
    """Say how often a device's rate comes, and what that costs; None where every step has one.

    ``found`` is what `readings_per_window` made of it.
    """
    if len(rate) < 2:
        return None
    stamp_s, _, readings = _in_order(rate, band)
    update_s = usual_step_s(stamp_s)
    if not update_s > step_s * (1.0 + SAME_INTERVAL):
        return None
    stamp_s = stamp_s[np.isfinite(readings)]
    first, last = np.searchsorted(stamp_s, found.start_s), np.searchsorted(stamp_s, found.end_s)
    given = np.isfinite(found.hr_bpm)
    held = given & (first == last)
    longest_s = float((rate.end_s - rate.start_s).max())
    which = "own heart rate" if len(band.rates) == 1 else f"own heart rate {rate.source!r}"
    said = f"Its {which} comes every {update_s:.3g} s, more rarely than windows do."
    if not held.any():
        return said
    return (
        f"{said} {held.sum()} of the {given.sum()} windows that have a value hold the last "
        f"reading, at most {longest_s:.3g} s old, and look late by its age."
    )


def _stamped(rate: RateSeries, band: Recording, windows: WindowTable) -> FloatArray:
    """Return the median of the readings stamped in each window, ``(n,)``; NaN without any."""
    stamp_s, _, readings = _in_order(rate, band)
    usable = np.isfinite(readings)
    stamp_s, readings = stamp_s[usable], readings[usable]
    edges = (np.searchsorted(stamp_s, edge) for edge in (windows.start_s, windows.end_s))
    inside = zip(*edges, strict=True)
    return np.array([np.median(readings[a:b]) if b > a else np.nan for a, b in inside])


def _held(rate: RateSeries, band: Recording, at_s: FloatArray) -> FloatArray:
    """Return the reading that the device held at each time ``(n,)``; NaN where it held none."""
    if len(rate) == 0:
        return np.full(at_s.shape, np.nan)
    stamp_s, until_s, readings = _in_order(rate, band)
    last = np.searchsorted(stamp_s, at_s, side="right") - 1
    return np.where((last >= 0) & (at_s < until_s[last]), readings[last], np.nan)


def _in_order(rate: RateSeries, band: Recording) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return stamps, ends and readings in order of time, ``(n,)`` each, in session seconds."""
    order = np.argsort(rate.start_s, kind="stable")
    stamp_s, until_s = band.session_s(rate.start_s[order]), band.session_s(rate.end_s[order])
    return stamp_s, until_s, rate.hr_bpm[order]
