from __future__ import annotations

import pytest

pytest.importorskip("matplotlib", reason="the reporting room needs it")

from palpate.reporting.text_tables import (
    Column,
    count,
    latex_table,
    latex_text,
    markdown_table,
    number,
    proportion,
    signed_tenths,
)

COLUMNS = (
    Column("record", "record", str),
    Column("beats", "beats", count),
    Column("error_ms", "error (ms)", number(1)),
)
ROWS = [
    {"record": "hut_1", "beats": 12345, "error_ms": -1.25},
    {"record": "hut_2", "beats": 7, "error_ms": float("nan")},
    {"record": "hut_3"},
]


def test_markdown_table_by_hand():
    assert markdown_table(ROWS, COLUMNS) == (
        "| record | beats | error (ms) |\n"
        "| --- | ---: | ---: |\n"
        "| hut_1 | 12 345 | −1.2 |\n"
        "| hut_2 | 7 | – |\n"
        "| hut_3 | – | – |\n"
    )


def test_latex_table_escapes_and_aligns():
    text = latex_table(ROWS, COLUMNS, caption="5 % of A&B")
    assert r"\caption{5 \% of A\&B}" in text
    assert r"\begin{tabular}{lrr}" in text
    assert r"hut\_1 & 12 345 & $-$1.2 \\" in text
    assert text.index(r"\toprule") < text.index(r"\midrule") < text.index(r"\bottomrule")


def test_what_rounds_to_nothing_has_no_sign():
    assert [signed_tenths(value) for value in (0.04, -0.04, 0.06, -2.0)] == [
        "0.0",
        "0.0",
        "+0.1",
        "−2.0",
    ]


@pytest.mark.parametrize(
    ("share", "text"),
    [
        ((0.0,), "0 %"),
        ((1.0,), "100 %"),
        ((0.997,), "99.7 %"),
        ((0.9999,), "99.9 %"),
        ((0.0002,), "0.1 %"),
        ((0.805, 0.66, 1.0), "80 (66 to 100) %"),
        ((1.0, 0.96, 1.0), "100 (96 to 100) %"),
        ((float("nan"),), "–"),
    ],
)
def test_a_share_that_is_not_all_is_not_written_as_all(share, text):
    assert proportion(*share) == text


@pytest.mark.parametrize(
    ("plain", "escaped"),
    [("a_b", r"a\_b"), ("{x}", r"\{x\}"), ("\\", r"\textbackslash{}"), ("~^", None)],
)
def test_latex_specials_print_as_they_are(plain, escaped):
    expected = r"\textasciitilde{}\textasciicircum{}" if escaped is None else escaped
    assert latex_text(plain) == expected
