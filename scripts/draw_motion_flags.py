"""Draw the rules of the motion flags on open recordings.

    python scripts/draw_motion_flags.py --data FOLDER --out FOLDER

Left: every window of the wrist recordings below FOLDER by swing and shake; middle: by
periodicity and the share of power above 4 Hz; each with the limits at which a flag
begins (solid) and ends (dashed). Right: one strip per recording, its flags in time.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from open_recordings import treadmill_recordings, wrist_recordings
from palpate.motion import FLAGS, flags, motion_flags, motion_windows
from palpate.reporting.style import INK, MUTED, SERIES, figure_style, save_figure
from palpate.signals import StrArray, WindowTable

COLOURS = dict(zip(FLAGS, (*SERIES[:3], SERIES[5], MUTED), strict=True))


def read_tables(folder: Path) -> dict[str, WindowTable]:
    """Return the motion table of every wrist recording below ``folder``, by name."""
    tables = {
        one.name: motion_windows(one.acc, fs_hz=one.fs_hz, unit="m/s2")
        for one in wrist_recordings(folder)
    }
    for run in treadmill_recordings(folder):
        tables[run.name] = motion_windows(run.acc, fs_hz=run.fs_hz, unit="g")
    return tables


def draw_intensity(axes: Axes, tables: dict[str, WindowTable]) -> None:
    """Swing against shake, with the limits of ``still``."""
    for table, flag in ((t, motion_flags(t)) for t in tables.values()):
        axes.scatter(
            table["swing_rms_g"], table["shake_rms_g"], s=4, c=[COLOURS[f] for f in flag], lw=0
        )
    for factor, style in ((flags.STILL_ON, "-"), (flags.STILL_OFF, "--")):
        swing, shake = factor * flags.STILL_SWING_G, factor * flags.STILL_SHAKE_G
        axes.plot([1e-3, swing, swing], [shake, shake, 1e-3], style, color=INK, lw=1)
    axes.set(
        xscale="log", yscale="log", xlim=(0.01, 3), ylim=(0.01, 1), title="How hard",
        xlabel="swing, 0.3 to 4 Hz (g rms)", ylabel="shake, above 4 Hz (g rms)",
    )  # fmt: skip


def draw_structure(axes: Axes, tables: dict[str, WindowTable]) -> None:
    """Periodicity against the share of power above 4 Hz, with the limits of the other rules."""
    for table, flag in ((t, motion_flags(t)) for t in tables.values()):
        swing, shake = table["swing_rms_g"], table["shake_rms_g"]
        share = shake**2 / (swing**2 + shake**2)
        axes.scatter(table["periodicity"], share, s=4, c=[COLOURS[f] for f in flag], lw=0)
    for rhythmic, shaking, style in (
        (flags.RHYTHMIC_ON, flags.SHAKING_ON, "-"),
        (flags.RHYTHMIC_OFF, flags.SHAKING_OFF, "--"),
    ):
        axes.axvline(rhythmic, ls=style, color=INK, lw=1)
        axes.plot([0, rhythmic], [shaking, shaking], style, color=INK, lw=1)
    axes.set(
        xlim=(0, 1), ylim=(0, 1), title="What kind",
        xlabel="periodicity", ylabel="share of power above 4 Hz",
    )  # fmt: skip


def draw_strips(axes: Axes, tables: dict[str, WindowTable]) -> None:
    """One row per recording: the flag of every window."""
    for row, table in enumerate(tables.values()):
        found: StrArray = motion_flags(table)
        for flag in FLAGS:
            hit = found == flag
            spans = [(float(start), 2.0) for start in table.start_s[hit]]
            axes.broken_barh(spans, (row - 0.4, 0.8), color=COLOURS[flag], lw=0)
    axes.set_yticks(range(len(tables)), list(tables))
    axes.invert_yaxis()
    axes.grid(visible=False)
    axes.set(title="In time", xlabel="start of window (s)")
    for flag in FLAGS:
        axes.barh([np.nan], [np.nan], color=COLOURS[flag], label=flag)
    axes.legend(ncols=len(FLAGS), loc="upper center", bbox_to_anchor=(0.4, -0.12))


def main() -> None:
    """Read, draw and write ``motion_flags.png`` and ``.svg``."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--data", type=Path, required=True, help="folder that holds datasets/")
    parser.add_argument("--out", type=Path, default=Path(), help="folder for the picture")
    options = parser.parse_args()
    tables = read_tables(options.data)
    with figure_style():
        figure = Figure(figsize=(14.0, 5.2))
        axes = figure.subplots(1, 3, width_ratios=(1, 1, 1.4))
        draw_intensity(axes[0], tables)
        draw_structure(axes[1], tables)
        draw_strips(axes[2], tables)
        options.out.mkdir(parents=True, exist_ok=True)
        print(*save_figure(figure, options.out, "motion_flags"), sep="\n")


if __name__ == "__main__":
    main()
