"""From a band's signals and its sources' errors to causes: the few calls that a pipeline makes.

:func:`examine_band` once per wrist recording, then :func:`causes_of` for every heart rate
that it gave.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from palpate.evaluation.scoring import trusted_rate
from palpate.explanation.causes import CauseTable, attribute_causes
from palpate.explanation.evidence import band_evidence, light_level, source_evidence
from palpate.explanation.light_clock import LightClock, light_clock, no_light_clock
from palpate.explanation.oracle import OracleLight
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

    @property
    def span(self) -> dict[str, float]:
        """The keyword arguments of whatever measures these windows."""
        return {
            "fs_hz": self.fs_hz,
            "start_s": self.start_s,
            "window_s": self.window_s,
            "step_s": self.step_s,
        }


@dataclass(frozen=True, slots=True, eq=False)
class BandEvidence:
    """What happened to a band's light on the session's grid, and how far its clock is off.

    ``oracle`` is what `oracle_windows` finds at the reference's rate, on the grid too, without
    columns where there is no light. ``light`` can be asked about any other rate; ``true_bpm`` is
    the reference's in its windows.
    """

    windows: WindowTable
    oracle: WindowTable
    clock: LightClock
    light: OracleLight | None
    true_bpm: FloatArray


def examine_band(
    grid: WindowTable,
    tables: Sequence[WindowTable],
    beat_time_s: FloatArray,
    signals: WristSignals | None,
) -> BandEvidence:
    """Gather what speaks for the causes of any source of one band.

    Parameters
    ----------
    grid
        The session's windows with the reference's ``hr_bpm`` and ``trusted``.
    tables
        The band's motion and light tables, on any part of the grid.
    beat_time_s
        The reference's beats in session seconds.
    signals
        The band's light and acceleration; None where it gives a heart rate only.
    """
    oracle = WindowTable(grid.start_s, grid.end_s)
    if signals is None:
        clock = no_light_clock()
        return BandEvidence(band_evidence(grid, tables, clock), oracle, clock, None, np.empty(0))
    ppg, span = signals.ppg, signals.span
    clock = light_clock(ppg, beat_time_s, fs_hz=signals.fs_hz, start_s=signals.start_s)
    light = OracleLight.of(ppg, signals.acc, **span)
    true_bpm = _rate_seen(light.windows, grid, clock)
    oracle = oracle.joined(light.at(true_bpm))
    evidence = band_evidence(grid, [*tables, oracle, light_level(ppg, **span)], clock)
    return BandEvidence(evidence, oracle, clock, light, true_bpm)


def _rate_seen(seen: WindowTable, grid: WindowTable, clock: LightClock) -> FloatArray:
    """Return the trusted rate for each window of some light; NaN where there is none.

    It is the rate at the time that the light shows, where its stated time is surely wrong.
    """
    middle_s, trusted_bpm = seen.middle_s, trusted_rate(grid)
    right_bpm = np.interp(
        clock.right_s(middle_s), grid.middle_s, trusted_bpm, left=np.nan, right=np.nan
    )
    return np.where(clock.surely_off(middle_s), right_bpm, trusted_rate(seen.joined(grid)))


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
    lines = None
    if band.light is not None:
        estimate_bpm = band.light.windows.joined(scored)["estimate_bpm"]
        lines = band.light.compared(estimate_bpm, band.true_bpm)
    evidence = source_evidence(
        scored, band.windows, reference, beat_time_s, lines=lines, others_bpm=others_bpm
    )
    return attribute_causes(evidence)
