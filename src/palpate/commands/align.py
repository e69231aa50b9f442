"""`palpate align`: how the recordings' clocks run, and how late each device's heart rate is."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from palpate.commands.arguments import between, positive

if TYPE_CHECKING:
    from palpate.alignment import Alignment, DeviceRate
    from palpate.cli import Console
    from palpate.timing import ClockFit, Coverage, Latency

HELP = "line up the recordings' clocks and say how late each device's heart rate is"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument("input", type=Path, help="a session sheet (.toml) or a store (.h5)")
    parser.add_argument(
        "-o",
        "--output",
        type=Path,
        help="write the sheet with the clocks found here, beside the original",
    )
    parser.add_argument(
        "--max-offset",
        type=positive,
        metavar="S",
        help="largest correction of a recording's placement to consider, s (default: any)",
    )
    parser.add_argument(
        "--max-drift",
        type=between(0.1, 10_000.0),
        default=500.0,
        metavar="PPM",
        help="largest drift to consider, ppm (default: 500)",
    )


def run(arguments: argparse.Namespace, console: Console) -> int:
    """Read the session, line it up, say what was found, and write the sheet if asked."""
    from palpate.alignment import align_session
    from palpate.io import open_session
    from palpate.reporting.tables import plain
    from palpate.validation import InputError

    if arguments.output is not None and arguments.input.suffix.lower() != ".toml":
        raise InputError(f"{arguments.input} is not a sheet; --output updates sheets (.toml) only")
    found = align_session(
        open_session(arguments.input, say=console.say),
        max_offset_s=arguments.max_offset,
        max_drift_ppm=arguments.max_drift,
    )
    console.say(f"reference clock: {found.reference}")
    for alignment in found.alignments:
        for line in lines_of(alignment):
            console.say(line)
    if arguments.output is not None:
        _write(arguments.input, arguments.output, found.alignments, console)
    recordings = [record_of(alignment) for alignment in found.alignments]
    console.result(plain({"reference": found.reference, "recordings": recordings}))
    return 0


def _write(sheet: Path, output: Path, alignments: tuple[Alignment, ...], console: Console) -> None:
    from palpate.io.sheet_clocks import write_clocks
    from palpate.validation import InputError

    clocks = {}
    for alignment in alignments:
        name, clock = alignment.recording.name, alignment.clock
        if clock is None or not alignment.known:
            console.warn(f"{name}: no clock found; its entry in the sheet stays as it is")
            continue
        if len(clock.pieces) > 1:
            console.warn(f"{name}: it paused; the sheet takes the longest of its clocks")
        if clock.caveat:
            console.warn(f"{name}: its clock in the sheet {clock.caveat}")
        clocks[name] = clock.offset_s, clock.drift_ppm
    if not clocks:
        raise InputError(f"no recording's clock is known, so {output} was not written")
    write_clocks(sheet, output, clocks)
    console.say(f"the sheet with these clocks: {output}")


def lines_of(alignment: Alignment) -> list[str]:
    """Return what a person should read about one recording."""
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
        f"delay {found.delay_s:.1f} s ({delay[0]:.1f} to {delay[1]:.1f}), smoothing "
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


def record_of(alignment: Alignment) -> dict[str, Any]:
    """Return one recording's result for ``--json``."""
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
