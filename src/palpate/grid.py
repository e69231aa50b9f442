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
from palpate.signals import FloatArray, RateSeries, Recording, Role, Waveform, WindowTable


def wrist_signals(band: Recording, *, window_s: float, step_s: float) -> WristSignals | None:
    """Return a band's first light and acceleration together; None where it has no light."""
    if not band.of_role(Role.PPG):
        return None
    ppg, fs_hz, start_s = from_grid_point(band, band.of_role(Role.PPG)[0], step_s)
    acc = beside(band, Role.ACC, start_s=start_s, fs_hz=fs_hz, n=ppg.shape[0], step_s=step_s)
    return WristSignals(ppg, acc, fs_hz, start_s, window_s, step_s)


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
    band: Recording, role: Role, *, start_s: float, fs_hz: float, n: int, step_s: float
) -> FloatArray | None:
    """Return the role's first waveform on the light's samples, ``(n, axes)``, NaN outside."""
    if not band.of_role(role):
        return None
    values, own_hz, own_start_s = from_grid_point(band, band.of_role(role)[0], step_s)
    moved = resample(values, fs_hz=own_hz, to_hz=fs_hz)
    lead = round((own_start_s - start_s) * fs_hz)
    first, last = np.clip((lead, lead + moved.shape[0]), 0, n)
    result = np.full((n, moved.shape[1]), np.nan)
    result[first:last] = moved[first - lead : last - lead]
    return result


def readings_per_window(rate: RateSeries, band: Recording, windows: WindowTable) -> RateSeries:
    """Take the median of a device's readings whose middle a window holds.

    A device that locks onto a wrong rate jumps there; a mean would show rates between the
    two that it never gave.
    """
    usable = np.isfinite(rate.hr_bpm)
    middle_s = band.session_s((rate.start_s + rate.end_s)[usable] / 2.0)
    order = np.argsort(middle_s, kind="stable")
    readings = rate.hr_bpm[usable][order]
    first, last = (
        np.searchsorted(middle_s[order], edge) for edge in (windows.start_s, windows.end_s)
    )
    held = zip(first, last, strict=True)
    medians = [np.median(readings[a:b]) if b > a else np.nan for a, b in held]
    return RateSeries(
        source=DEVICE if len(band.rates) == 1 else f"{DEVICE} {rate.source}",
        start_s=windows.start_s,
        end_s=windows.end_s,
        hr_bpm=np.array(medians),
        confidence=np.full(len(windows), np.nan),
        reason=np.where(last > first, "", "the device gave no value"),
    )
