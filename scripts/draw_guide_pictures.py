"""Draw the guide's pictures: what the light holds, what a plain band reads, what palpate says.

    python scripts/draw_guide_pictures.py --data FOLDER [--out src/palpate/guide] [RECORD ...]

One PNG per record of "Wrist PPG During Exercise" (Jarchi & Casson 2017, PhysioNet, ODC-BY
1.0) below FOLDER, and one line with how many windows each cause names. Above, the light's
spectrogram with the ECG's rate, the accelerometer's cadence and the estimate without motion
reference; below, the cause of every window outside tolerance. A reader sees by eye on which
line the estimate sits and can hold the named cause against it.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from palpate.conditioning import bridge_gaps, power_spectra, resample, window_samples, windowed
from palpate.evaluation.scoring import UNTRUSTED, WITHIN
from palpate.grid import wrist_signals
from palpate.io import open_session
from palpate.pipeline import explain_session
from palpate.reporting.figures import CAUSE_COLOURS
from palpate.reporting.style import BAD, INK, MUTED, figure_style
from palpate.results import BandResult, Options, SessionResult, SourceResult
from palpate.signals import BoolArray, FloatArray

LAYOUT = "wrist_ppg_exercise"
METHOD = "conventional"
RECORDS = ("s5_run", "s3_run", "s3_walk")
SPECTRUM_FS_HZ = 25.0
NFFT = 1024
LOW_BPM, HIGH_BPM = 35.0, 240.0
SHOWN_DB = 18.0
MULTIPLES = {0.5: "½ ×", 1.0: "cadence", 2.0: "2 ×", 3.0: "3 ×", 4.0: "4 ×"}
LEAST_SHOWN = 0.5
"""A multiple of the cadence is named beside the picture if half of its windows are inside."""
DASH_SHARE = 0.7
CADENCE_BLUE = CAUSE_COLOURS["cadence lock"]
DPI = 100


def explain_record(path: Path) -> SessionResult:
    """Run the main job on one record, with the one estimator that is drawn."""
    return explain_session(open_session(path, LAYOUT), Options(methods=(METHOD,)))


def light_spectrogram(band: BandResult, options: Options) -> tuple[FloatArray, FloatArray]:
    """Return rates ``(f,)`` in bpm and the light's power ``(n, f)`` in dB under each maximum."""
    signals = wrist_signals(band.recording, window_s=options.window_s, step_s=options.step_s)
    if signals is None:
        raise SystemExit(f"recording {band.recording.name!r} has no light to draw")
    light = bridge_gaps(signals.ppg[:, :1])[0]
    slow = resample(light, fs_hz=signals.fs_hz, to_hz=SPECTRUM_FS_HZ)
    first, width = window_samples(
        slow.shape[0], fs_hz=SPECTRUM_FS_HZ, window_s=options.window_s, step_s=options.step_s
    )
    windows = windowed(slow, first, width)[..., 0]
    freq_hz, power = power_spectra(windows, fs_hz=SPECTRUM_FS_HZ, nfft=NFFT)
    shown = (60.0 * freq_hz >= LOW_BPM) & (60.0 * freq_hz <= HIGH_BPM)
    power = power[:, shown]
    return 60.0 * freq_hz[shown], 10.0 * np.log10(power / power.max(axis=1, keepdims=True))


def draw_light(axis: Axes, result: SessionResult, band: BandResult, source: SourceResult) -> None:
    """Spectrogram, reference, cadence and estimate over the session."""
    windows = result.windows
    middle_s = (windows.start_s + windows.end_s) / 2.0
    rate_bpm, level_db = light_spectrogram(band, result.options)
    start_s = band.light.start_s[0] + result.options.window_s / 2.0
    light_s = start_s + result.options.step_s * np.arange(level_db.shape[0])
    axis.pcolormesh(
        light_s, rate_bpm, level_db.T, cmap="Greys", vmin=-SHOWN_DB, vmax=8.0, rasterized=True
    )
    draw_cadence(axis, band)
    trusted_bpm = np.where(windows["trusted"], windows["hr_bpm"], np.nan)
    axis.plot(middle_s, trusted_bpm, color="white", lw=4.2)
    axis.plot(middle_s, trusted_bpm, color=INK, lw=2.2, label="heart rate of the ECG")
    axis.plot(
        middle_s, source.windows["estimate_bpm"], "o", ms=3.4, color=BAD, mec="white", mew=0.4,
        label=f"estimate ({source.source})",
    )  # fmt: skip
    axis.set(ylim=(LOW_BPM, HIGH_BPM), ylabel="rate (per minute)")
    axis.grid(visible=False)


def draw_cadence(axis: Axes, band: BandResult) -> None:
    """Draw the arm's cadence and its multiples, each named at the right edge."""
    motion = band.motion
    middle_s = (motion.start_s + motion.end_s) / 2.0
    dash_s = DASH_SHARE * (middle_s[1] - middle_s[0]) / 2.0
    label = "the arm's cadence and its multiples"
    for multiple, name in MULTIPLES.items():
        at_bpm = multiple * motion["cadence_per_min"]
        inside = (at_bpm > LOW_BPM) & (at_bpm < HIGH_BPM)
        if np.mean(inside) < LEAST_SHOWN:
            continue
        axis.hlines(
            at_bpm[inside], middle_s[inside] - dash_s, middle_s[inside] + dash_s, lw=1.3,
            color=CADENCE_BLUE, label=label,
        )  # fmt: skip
        label = "_"
        axis.annotate(
            name, (1.0, float(np.median(at_bpm[inside][-15:]))), xycoords=("axes fraction", "data"),
            xytext=(4, 0), textcoords="offset points", va="center", fontsize=8.5,
            color=CADENCE_BLUE,
        )  # fmt: skip


def draw_causes(axis: Axes, source: SourceResult, step_s: float) -> None:
    """One coloured cell per window; white within tolerance, hatched without a reference."""
    table = source.causes.windows
    middle_s = (table.start_s + table.end_s) / 2.0

    def cells(mine: BoolArray, label: str, **look: Any) -> None:
        if mine.any():
            spans = [(float(at) - step_s / 2.0, step_s) for at in middle_s[mine]]
            axis.broken_barh(spans, (0.0, 1.0), label=f"{label} ({int(mine.sum())})", **look)

    cells(source.windows["status"] == WITHIN, "within tolerance", fc="#e4f3ec", lw=0)
    cells(
        source.windows["status"] == UNTRUSTED, "reference untrusted",
        fc="white", ec=MUTED, hatch="////", lw=0,
    )  # fmt: skip
    for cause, colour in CAUSE_COLOURS.items():
        cells(table["cause"] == cause, cause, fc=colour, lw=0)
    axis.set(ylim=(0.0, 1.0), yticks=[], ylabel="why")
    axis.set_xlabel("time (s)", loc="right")
    axis.grid(visible=False)
    axis.legend(
        loc="upper left", bbox_to_anchor=(-0.01, -0.85), ncols=4, fontsize=9,
        handlelength=1.2, columnspacing=1.2, borderaxespad=0.0,
    )  # fmt: skip


def picture(result: SessionResult) -> Figure:
    """Draw one record."""
    band, source = result.bands[0], result.sources[0]
    with figure_style():
        figure = Figure(figsize=(9.6, 5.4))
        light, causes = figure.subplots(2, 1, sharex=True, height_ratios=(12, 1))
        draw_light(light, result, band, source)
        light.set_title(f"{result.session.title}: what the wrist's light holds", pad=26)
        light.legend(loc="lower left", bbox_to_anchor=(-0.01, 1.0), ncols=3, borderaxespad=0.2)
        draw_causes(causes, source, result.options.step_s)
        middle_s = (result.windows.start_s + result.windows.end_s) / 2.0
        causes.set_xlim(middle_s[0], middle_s[-1])
    return figure


def main() -> None:
    """Explain, count, draw and write one picture per record."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("records", nargs="*", default=RECORDS, metavar="RECORD")
    parser.add_argument("--data", type=Path, required=True, help="folder that holds datasets/")
    parser.add_argument("--out", type=Path, default=Path("src/palpate/guide"))
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    for record in options.records:
        result = explain_record(options.data / "datasets" / LAYOUT / f"{record}.edf")
        found = {name: n for name, n in result.sources[0].causes.counts().items() if n}
        print(f"{record}: " + ", ".join(f"{name} {n}" for name, n in found.items()))
        path = options.out / f"{record}.png"
        with figure_style():
            picture(result).savefig(path, dpi=DPI, metadata={"Software": "palpate"})
        print(path)


if __name__ == "__main__":
    main()
