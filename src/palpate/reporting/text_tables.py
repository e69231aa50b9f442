"""Tables as text for a page, a README (Markdown) or a paper (LaTeX): columns say how."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple, TypeAlias

Row: TypeAlias = Mapping[str, Any]

UNDEFINED = "–"
_LATEX_SPECIAL = {c: "\\" + c for c in "&%$#_{}"} | {
    "\\": r"\textbackslash{}",
    "~": r"\textasciitilde{}",
    "^": r"\textasciicircum{}",
    "−": "$-$",
    "–": "--",
}


class Column(NamedTuple):
    """A column: the row's key, its heading, and how a value becomes text."""

    key: str
    heading: str
    text: Callable[[Any], str]

    def of(self, row: Row) -> str:
        """Return the cell of a row; a dash where there is nothing."""
        value = row.get(self.key)
        if value is None or (isinstance(value, float) and math.isnan(value)):
            return UNDEFINED if self.key in row or self.text is not str else ""
        return self.text(value)

    @property
    def is_text(self) -> bool:
        """Whether the column holds words, to be set flush left."""
        return self.text is str


def number(digits: int) -> Callable[[Any], str]:
    """Return a format with so many decimals and a true minus sign."""
    return lambda value: f"{value:.{digits}f}".replace("-", "−")


def count(value: Any) -> str:
    """Write a whole number with thin groups of three."""
    return f"{value:,}".replace(",", " ")


def tenths(value: float) -> str:
    """Write a number with one decimal; never ``-0.0``."""
    return UNDEFINED if math.isnan(value) else number(1)(round(value, 1) + 0.0)


def signed_tenths(value: float) -> str:
    """Write a number with its sign and one decimal; what rounds to 0 has no sign."""
    if math.isnan(value):
        return UNDEFINED
    rounded = round(value, 1)
    return f"{rounded:+.1f}".replace("-", "−") if rounded else "0.0"


def percent(value: float) -> str:
    """Write a share as whole percent."""
    return UNDEFINED if math.isnan(value) else f"{number(0)(round(100 * value) + 0)} %"


def proportion(value: float, low: float = math.nan, high: float = math.nan) -> str:
    """Write a share of things that can be counted, with its interval: ``"94 (90 to 97) %"``.

    What is not quite none or all is never written so: ``"99.7 %"``.
    """
    return UNDEFINED if math.isnan(value) else f"{with_interval(value, low, high, _of_all)} %"


def with_interval(
    middle: float, low: float, high: float, write: Callable[[float], str] = tenths
) -> str:
    """Write a number and its interval, ``"2.1 (1.4 to 2.8)"``; the number alone if that is all."""
    text = write(middle)
    if math.isnan(low) or {write(low), write(high)} == {text}:
        return text
    return f"{text} ({write(low)} to {write(high)})"


def _of_all(share: float) -> str:
    whole = round(100.0 * share)
    if whole == 100.0 * share or 0 < whole < 100:
        return f"{whole}"
    return f"{min(max(100.0 * share, 0.1), 99.9):.1f}"


def grid_of(rows: Sequence[Row], columns: Sequence[Column]) -> dict[str, Any]:
    """Return what the template macro `grid` draws."""
    return {
        "headings": [(column.heading, column.is_text) for column in columns],
        "rows": [[(column.of(row), column.is_text) for column in columns] for row in rows],
    }


def markdown_table(rows: Sequence[Row], columns: Sequence[Column]) -> str:
    """Return a pipe table, numbers flush right."""
    rules = ["---" if column.is_text else "---:" for column in columns]
    lines = [[column.heading for column in columns], rules, *_cells(rows, columns)]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in lines) + "\n"


def latex_table(rows: Sequence[Row], columns: Sequence[Column], *, caption: str) -> str:
    """Return a ``table`` with the rules of the booktabs package."""
    alignment = "".join("l" if column.is_text else "r" for column in columns)
    body = [_latex_row(cells) for cells in _cells(rows, columns)]
    return "\n".join(
        [
            r"\begin{table}",
            r"\caption{" + latex_text(caption) + "}",
            r"\begin{tabular}{" + alignment + "}",
            r"\toprule",
            _latex_row([column.heading for column in columns]),
            r"\midrule",
            *body,
            r"\bottomrule",
            r"\end{tabular}",
            r"\end{table}",
            "",
        ]
    )


def write_text_tables(
    folder: Path, tables: Mapping[str, tuple[Sequence[Row], Sequence[Column]]]
) -> None:
    """Write tables by their captions into ``tables.md`` and ``tables.tex``."""
    markdown = [f"## {caption}\n\n{markdown_table(*table)}" for caption, table in tables.items()]
    latex = [latex_table(*table, caption=caption) for caption, table in tables.items()]
    (folder / "tables.md").write_text("\n".join(markdown), encoding="utf-8")
    (folder / "tables.tex").write_text("\n".join(latex), encoding="utf-8")


def latex_text(text: str) -> str:
    """Return plain text so that LaTeX prints it as it is."""
    return "".join(_LATEX_SPECIAL.get(character, character) for character in text)


def _latex_row(cells: Sequence[str]) -> str:
    return " & ".join(latex_text(cell) for cell in cells) + r" \\"


def _cells(rows: Sequence[Row], columns: Sequence[Column]) -> list[list[str]]:
    return [[column.of(row) for column in columns] for row in rows]
