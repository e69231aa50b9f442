"""One look for every figure: colours, sizes, and how a figure becomes files.

Colours are the colour-blind-safe palette of Okabe & Ito 2008 ("Color Universal Design").
"""

from __future__ import annotations

import base64
import io
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import matplotlib as mpl
from cycler import cycler
from matplotlib.figure import Figure

INK = "#22282f"
MUTED = "#6b7480"
FAINT = "#d9dee4"
REFERENCE = "#22282f"
BAD = "#d55e00"
SERIES = ("#0072b2", "#e69f00", "#009e73", "#cc79a7", "#56b4e9", "#d55e00", "#8a7a00")

_RC: dict[Any, Any] = {
    "font.family": "sans-serif",
    "font.size": 9.5,
    "axes.titlesize": 10.5,
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
    "legend.fontsize": 9,
    "lines.linewidth": 1.4,
    "figure.dpi": 110,
    "figure.constrained_layout.use": True,
    "svg.hashsalt": "palpate",
    "svg.fonttype": "path",
}


@contextmanager
def figure_style() -> Iterator[None]:
    """Draw inside this context to get the common look; nothing global is changed."""
    with mpl.rc_context(_RC):
        yield


def svg_bytes(figure: Figure) -> bytes:
    """Draw a figure as SVG; its layout is settled by this first drawing."""
    buffer = io.BytesIO()
    with figure_style():
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": "palpate"})
    figure.set_layout_engine("none")  # half of the time of a drawing goes into its layout
    return buffer.getvalue()


def save_figure(
    figure: Figure, folder: Path, name: str, svg: bytes | None = None
) -> tuple[Path, Path]:
    """Write ``name.png`` (160 dpi) and ``name.svg`` into ``folder``; return both paths.

    ``svg`` is what :func:`svg_bytes` has drawn already, if it has.
    """
    paths = folder / f"{name}.png", folder / f"{name}.svg"
    paths[1].write_bytes(svg_bytes(figure) if svg is None else svg)
    with figure_style():
        figure.savefig(paths[0], dpi=160, metadata={"Software": "palpate"})
    return paths


def data_uri(svg: bytes) -> str:
    """Return an SVG picture as a ``data:`` address, so that a page needs no other file."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg).decode("ascii")
