"""Write clocks into a session sheet without touching anything else in it.

The sheet is edited as text, so comments, order and spelling stay; the result is read back
and must differ from the sheet in those keys alone.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any

from palpate.io.atomic import replacing
from palpate.io.toml_tables import read_toml
from palpate.validation import InputError

OFFSET, DRIFT = "clock_offset_s", "clock_drift_ppm"
_HEADER = re.compile(r"^\s*\[")
_RECORDING = re.compile(r"^\s*\[\[\s*recording\s*\]\]")
_CLOCK = re.compile(rf"^\s*({OFFSET}|{DRIFT})\s*=")
_NAME = re.compile(r"^\s*name\s*=")


def write_clocks(sheet: Path, output: Path, clocks: Mapping[str, tuple[float, float]]) -> None:
    """Copy a sheet to ``output`` with ``clocks``: offset (s) and drift (ppm) per recording name.

    ``output`` must be as `check_beside` asks.
    """
    check_beside(sheet, output)
    before = read_toml(sheet)
    text = with_clocks(sheet.read_text(encoding="utf-8"), clocks)
    if _parsed(text) != _expected(before, clocks):
        raise InputError(f"{sheet} is laid out in a way that cannot be edited; enter the clocks")
    with replacing(output) as part:
        part.write_text(text, encoding="utf-8")


def check_beside(sheet: Path, output: Path) -> None:
    """Refuse an output that would lose the sheet's files, or the clocks that it states."""
    if output.resolve().parent != sheet.resolve().parent:
        raise InputError(
            f"{output} is in another folder than {sheet.name}, whose files are relative to it; "
            "write it beside the sheet"
        )
    if output.resolve() == sheet.resolve():
        raise InputError(
            f"{output} is the sheet itself, whose own clocks would be lost; name another file"
        )


def with_clocks(text: str, clocks: Mapping[str, tuple[float, float]]) -> str:
    """Return a sheet's text with the clock keys of the named recordings set."""
    lines = text.splitlines()
    headers = [i for i, line in enumerate(lines) if _HEADER.match(line)] + [len(lines)]
    edited = lines[: headers[0]]
    for start, end in pairwise(headers):
        block = lines[start:end]
        if _RECORDING.match(block[0]):
            block = _edited(block, clocks)
        edited += block
    return "\n".join(edited) + "\n"


def _edited(block: list[str], clocks: Mapping[str, tuple[float, float]]) -> list[str]:
    name = next((i for i, line in enumerate(block) if _NAME.match(line)), None)
    if name is None:
        return block
    found = clocks.get(_parsed(block[name]).get("name", ""))
    if found is None:
        return block
    said = {OFFSET: f"{OFFSET} = {found[0]:.4f}", DRIFT: f"{DRIFT} = {found[1]:.2f}"}
    kept = []
    for line in block:
        clock = _CLOCK.match(line)
        kept.append(said.pop(clock[1]) if clock else line)
    after = name + 1
    return [*kept[:after], *said.values(), *kept[after:]]


def _parsed(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return {}


def _expected(before: dict[str, Any], clocks: Mapping[str, tuple[float, float]]) -> dict[str, Any]:
    after = copy.deepcopy(before)
    for recording in after.get("recording", []):
        if recording.get("name") in clocks:
            offset_s, drift_ppm = clocks[recording["name"]]
            recording[OFFSET] = float(f"{offset_s:.4f}")
            recording[DRIFT] = float(f"{drift_ppm:.2f}")
    return after
