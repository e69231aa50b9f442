"""One look for every figure: colours, sizes, and how a figure becomes files.

Colours are the colour-blind-safe palette of Okabe & Ito 2008 ("Color Universal Design").
"""

from __future__ import annotations

import base64
import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.rcsetup import cycler

PNG_DPI = 160
LEGEND_ROW_IN = 0.22
INK = "#22282f"
MUTED = "#6b7480"
FAINT = "#d9dee4"
REFERENCE = "#22282f"
BAD = "#d55e00"
SERIES = ("#0072b2", "#e69f00", "#009e73", "#cc79a7", "#56b4e9", "#d55e00", "#8a7a00")
MAX_ERROR_SHOWN_BPM = 80.0

_RC: dict[Any, Any] = {
    "font.family": "sans-serif",
    "font.size": 10.5,
    "axes.titlesize": 11.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelcolor": INK,
    "axes.edgecolor": MUTED,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.prop_cycle": cycler(color=SERIES),
    "grid.color": FAINT,
    "grid.linewidth": 0.6,
    "text.color": INK,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "legend.frameon": False,
    "legend.fontsize": 10,
    "lines.linewidth": 1.4,
    "figure.dpi": 144,
    "figure.constrained_layout.use": True,
    "svg.hashsalt": "palpate",
    "svg.fonttype": "path",
}


@contextmanager
def figure_style() -> Iterator[None]:
    """Draw inside this context to get the common look; nothing global is changed."""
    with mpl.rc_context(_RC):
        yield


def canvas(
    width_in: float,
    inner_in: float,
    *,
    rows: int = 1,
    heights: Sequence[float] | None = None,
    left_in: float = 0.75,
    top_in: float = 0.4,
    gap_in: float = 0.14,
    legend: int = 0,
) -> tuple[Figure, list[Axes]]:
    """Return a figure with axes one above the other and room for ``legend`` rows below them.

    The axes and the gaps between them are ``inner_in`` high. Margins are fixed in inches: a
    layout that measures every text would take a third of the time of a drawing. With a small
    ``gap_in`` the axes share their x axis.
    """
    below_in = 0.55 + LEGEND_ROW_IN * legend
    height_in = top_in + inner_in + below_in
    figure = Figure(figsize=(width_in, height_in))
    figure.set_layout_engine("none")
    axes = figure.subplots(
        rows,
        1,
        sharex=gap_in < LEGEND_ROW_IN,
        squeeze=False,
        height_ratios=heights,
        gridspec_kw={
            "left": left_in / width_in,
            "right": 1.0 - 0.2 / width_in,
            "bottom": below_in / height_in,
            "top": 1.0 - top_in / height_in,
            "hspace": gap_in * rows / (inner_in - gap_in * (rows - 1)),
        },
    )
    return figure, list(axes[:, 0])


def legend_rows(count: int, *, columns: int) -> int:
    """Return how many rows a legend takes."""
    return -(-count // columns)


def legend_below(figure: Figure, axis: Axes, *, columns: int) -> None:
    """Explain the colours of ``axis`` at the foot of the figure, where `canvas` left room."""
    handles, labels = axis.get_legend_handles_labels()
    figure.legend(handles, labels, loc="lower center", ncols=columns, markerscale=1.4)


def svg_bytes(figure: Figure) -> bytes:
    """Draw a figure as SVG; its layout is settled by this first drawing."""
    buffer = io.BytesIO()
    with figure_style():  # the canvas draws once, where savefig would draw twice
        drawing: Any = FigureCanvasSVG(figure)
        drawing.print_svg(buffer, metadata={"Date": None, "Creator": "palpate"})
    figure.set_layout_engine("none")  # a quarter of the time of a drawing goes into its layout
    return buffer.getvalue()


def save_figure(
    figure: Figure, folder: Path, name: str, svg: bytes | None = None
) -> tuple[Path, Path]:
    """Write ``name.png`` (`PNG_DPI`) and ``name.svg`` into ``folder``; return both paths.

    ``svg`` is what :func:`svg_bytes` has drawn already, if it has.
    """
    paths = folder / f"{name}.png", folder / f"{name}.svg"
    paths[1].write_bytes(svg_bytes(figure) if svg is None else svg)
    with figure_style():
        figure.dpi = PNG_DPI
        drawing: Any = FigureCanvasAgg(figure)
        drawing.print_png(
            paths[0], metadata={"Software": "palpate"}, pil_kwargs={"compress_level": 3}
        )
    return paths


def data_uri(svg: bytes) -> str:
    """Return an SVG picture as a ``data:`` address, so that a page needs no other file."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg).decode("ascii")


def colour_cycle(count: int) -> list[str]:
    """Return so many colours of the series, again from the first where they run out."""
    return [SERIES[i % len(SERIES)] for i in range(count)]
