"""An alignment in words and as plain values: every recording's clock, every device's latency."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from palpate.alignment import Alignment, DeviceRate, SessionAlignment
from palpate.reporting.values import plain
from palpate.timing import ClockFit, Coverage, Latency


def alignment_lines(found: SessionAlignment) -> list[str]:
    """Return what a person should read about every recording."""
    about = (line for alignment in found.alignments for line in _lines(alignment))
    return [f"reference clock: {found.reference}", *about]


def alignment_summary(found: SessionAlignment) -> dict[str, Any]:
    """Return every number as plain values that JSON can hold; undefined is None."""
    recordings = [_record(alignment) for alignment in found.alignments]
    summary: dict[str, Any] = plain({"reference": found.reference, "recordings": recordings})
    return summary


def _lines(alignment: Alignment) -> list[str]:
    recording = alignment.recording
    lines = [f"{recording.name}: {_clock_line(alignment)}"]
    if recording.clock_known and alignment.known and alignment.clock is not None:
        stated = f"{recording.clock_offset_s:+.2f} s, {recording.clock_drift_ppm:+.0f} ppm"
        lines.append(f"  the sheet states {stated}")
    lines += [f"  {fit.method}: {_short(fit)}" for fit in alignment.fits]
    for rate in alignment.rates:
        lines += _rate_lines(rate, delay_in_clock=alignment.delay_in_clock)
    return lines


def _clock_line(alignment: Alignment) -> str:
    clock = alignment.clock
    if clock is None:
        return "shares nothing with any other recording"
    if not alignment.known:
        return f"clock {clock.verdict} ({clock.method}: {clock.reason})"
    text = f"from {clock.method} against {alignment.against}, confidence {clock.confidence:.2f}"
    if len(clock.pieces) == 1:
        return f"{_piece_text(clock)}, {text}"
    spans = "; ".join(
        f"{piece.offset_s:+.3f} s over {piece.start_s:.0f} to {piece.end_s:.0f} s"
        for piece in clock.pieces
    )
    return f"paused: offset {spans}; {text}"


def _piece_text(clock: ClockFit) -> str:
    piece = clock.pieces[0]
    low_s, high_s = piece.offset_interval_s
    low_ppm, high_ppm = piece.drift_interval_ppm
    return (
        f"offset {piece.offset_s:+.3f} s ({low_s:+.3f} to {high_s:+.3f}), "
        f"drift {piece.drift_ppm:+.1f} ppm ({low_ppm:+.1f} to {high_ppm:+.1f})"
    )


def _short(fit: ClockFit) -> str:
    if fit.reason:
        return f"{fit.verdict}, {fit.reason}"
    caveat = f"; {fit.caveat}" if fit.caveat else ""
    return f"{fit.offset_s:+.3f} s, {fit.drift_ppm:+.1f} ppm{caveat}"


def _rate_lines(rate: DeviceRate, *, delay_in_clock: bool) -> list[str]:
    lines = [f"  heart rate {rate.source!r}: {_coverage_text(rate.coverage)}"]
    if rate.latency is None:
        return [*lines, "    how late it is cannot be said without a clock and a beat reference"]
    if delay_in_clock:
        lines.append(
            "    its clock comes from heart rates, so its own delay cannot be told from it"
        )
    lines.append(f"    {_latency_text(rate.latency)}")
    return lines + [f"    {name}: {_latency_text(x)}" for name, x in rate.by_activity.items()]


def _latency_text(found: Latency) -> str:
    if found.reason:
        return f"latency unknown, {found.reason}"
    delay, smoothing = found.delay_interval_s, found.smoothing_interval_s
    return (
        f"{found.lateness_s:.1f} s late in all: delay {found.delay_s:.1f} s "
        f"({delay[0]:.1f} to {delay[1]:.1f}), smoothing "
        f"{found.smoothing_s:.1f} s ({smoothing[0]:.1f} to {smoothing[1]:.1f}), bias "
        f"{found.bias_bpm:+.1f} bpm"
    )


def _coverage_text(found: Coverage) -> str:
    return (
        f"first value after {found.first_value_s:.0f} s, {100 * found.valued_share:.0f} % "
        f"covered, {_dropouts(len(found.dropouts_s))}, {100 * found.frozen_share:.0f} % frozen, "
        f"steps of {found.step_bpm:g} bpm"
    )


def _dropouts(n: int) -> str:
    return f"{n} dropout{'s' * (n != 1)}"


def _record(alignment: Alignment) -> dict[str, Any]:
    return {
        "recording": alignment.recording.name,
        "against": alignment.against,
        "delay_in_clock": alignment.delay_in_clock,
        "fits": [_fit_record(fit) for fit in alignment.fits],
        "clock": None if alignment.clock is None else _fit_record(alignment.clock),
        "rates": [_rate_record(rate) for rate in alignment.rates],
    }


def _fit_record(fit: ClockFit) -> dict[str, Any]:
    return {**asdict(fit), "verdict": str(fit.verdict)}


def _rate_record(rate: DeviceRate) -> dict[str, Any]:
    told = rate.coverage
    return {
        "source": rate.source,
        "first_value_s": told.first_value_s,
        "valued_share": told.valued_share,
        "frozen_share": told.frozen_share,
        "dropouts_s": told.dropouts_s,
        "frozen_s": told.frozen_s,
        "step_bpm": told.step_bpm,
        "update_s": told.update_s,
        "latency": None if rate.latency is None else asdict(rate.latency),
        "latency_by_activity": {k: asdict(v) for k, v in rate.by_activity.items()},
    }
