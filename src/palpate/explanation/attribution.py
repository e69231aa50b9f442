"""From a band's signals and its sources' errors to causes: the few calls that a pipeline makes.

:func:`examine_band` once per wrist recording, then :func:`causes_of` for every heart rate
that it gave.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from palpate.conditioning import window_samples
from palpate.explanation.causes import CauseTable, attribute_causes
from palpate.explanation.evidence import band_evidence, light_level, source_evidence
from palpate.explanation.light_clock import LightClock, light_clock, no_light_clock
from palpate.explanation.oracle import oracle_windows
from palpate.signals import FloatArray, WindowTable


@dataclass(frozen=True, slots=True, eq=False)
class WristSignals:
    """A band's light ``(n, channels)``, raw, and acceleration ``(n, axes)`` or None, together.

    ``start_s`` is the session second of the first sample and a point of the windows' grid.
    """

    ppg: FloatArray
    acc: FloatArray | None
    fs_hz: float
    start_s: float
    window_s: float
    step_s: float


@dataclass(frozen=True, slots=True, eq=False)
class BandEvidence:
    """What happened to a band's light on the session's grid, and how far its clock is off."""

    windows: WindowTable
    clock: LightClock
    signals: WristSignals | None


def examine_band(
    grid: WindowTable,
    tables: Sequence[WindowTable],
    beat_time_s: FloatArray,
    signals: WristSignals | None,
    clock: LightClock | None = None,
) -> BandEvidence:
    """Gather what speaks for the causes of any source of one band.

    Parameters
    ----------
    grid
        The session's windows.
    tables
        The band's motion, light and oracle tables, on any part of the grid.
    beat_time_s
        The reference's beats in session seconds.
    signals
        The band's light and acceleration; None where it gives a heart rate only.
    clock
        As from ``light_clock``; asked of the light if left out.
    """
    if signals is None:
        clock = no_light_clock()
        return BandEvidence(band_evidence(grid, tables, clock), clock, None)
    level = light_level(
        signals.ppg,
        fs_hz=signals.fs_hz,
        start_s=signals.start_s,
        window_s=signals.window_s,
        step_s=signals.step_s,
    )
    if clock is None:
        clock = light_clock(signals.ppg, beat_time_s, fs_hz=signals.fs_hz, start_s=signals.start_s)
    return BandEvidence(band_evidence(grid, [*tables, level], clock), clock, signals)


def causes_of(
    scored: WindowTable,
    band: BandEvidence,
    reference: WindowTable,
    beat_time_s: FloatArray,
    *,
    others_bpm: Sequence[FloatArray] = (),
) -> CauseTable:
    """Name the cause of every window of one source that is outside tolerance.

    Parameters
    ----------
    scored
        The source's windows as from ``score_windows``.
    band
        As from :func:`examine_band` on the same grid.
    reference, beat_time_s
        The reference's windows and beats.
    others_bpm
        Estimates of the session's other sources on the same grid.
    """
    evidence = source_evidence(
        scored,
        band.windows,
        reference,
        beat_time_s,
        at_estimate=_at_estimate(scored, band.signals),
        others_bpm=others_bpm,
    )
    return attribute_causes(evidence)


def _at_estimate(scored: WindowTable, signals: WristSignals | None) -> WindowTable | None:
    """Return what the light carries at the source's estimates instead of the reference."""
    if signals is None:
        return None
    span = {"fs_hz": signals.fs_hz, "window_s": signals.window_s, "step_s": signals.step_s}
    own = _grid(signals).joined(
        WindowTable(scored.start_s, scored.end_s, {"bpm": scored["estimate_bpm"]})
    )
    return oracle_windows(signals.ppg, signals.acc, own["bpm"], start_s=signals.start_s, **span)


def _grid(signals: WristSignals) -> WindowTable:
    """Return the windows that the signals fill, without columns."""
    first, _ = window_samples(
        signals.ppg.shape[0],
        fs_hz=signals.fs_hz,
        window_s=signals.window_s,
        step_s=signals.step_s,
    )
    starts = signals.start_s + signals.step_s * np.arange(first.size, dtype=np.float64)
    return WindowTable(starts, starts + signals.window_s)
