"""The import contract: a room imports only from rooms above it, a numeric one three libraries.

The contract itself is the table of rooms in DEVELOPERS.md; it is read from there.
"""

from __future__ import annotations

import ast
import importlib
import pkgutil
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import palpate

SOURCE = Path(palpate.__file__).parent
GUIDE = Path(__file__).parent.parent / "DEVELOPERS.md"
NUMERIC_LIBRARIES = {"numpy", "scipy", "pywt"}
ROW = re.compile(r"^\| `(\w+)(?:\.py|/)` \|.*\| ([^|]*) \|$", re.MULTILINE)
# What each room may import of palpate besides itself, in the order of the table.
MAY_IMPORT = {
    room: set(re.findall(r"`(\w+)`", allowed))
    for room, allowed in ROW.findall(GUIDE.read_text(encoding="utf-8"))
}
ROOMS = list(MAY_IMPORT)
NUMERIC_ROOMS = ROOMS[: ROOMS.index("simulation") + 1]


def modules_of(room: str) -> list[Path]:
    folder = SOURCE / room
    return sorted(folder.rglob("*.py")) if folder.is_dir() else [SOURCE / f"{room}.py"]


def imported(path: Path, *, module_level_only: bool) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nodes = tree.body if module_level_only else ast.walk(tree)
    names: set[str] = set()
    for node in nodes:
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def test_the_table_has_a_row_for_every_room() -> None:
    there = {path.stem for path in SOURCE.glob("*.py")} - {"__init__"}
    there |= {path.parent.name for path in SOURCE.glob("*/__init__.py")}
    assert set(ROOMS) == there


def test_a_room_may_import_only_from_rooms_above_it() -> None:
    for place, room in enumerate(ROOMS):
        assert MAY_IMPORT[room] <= set(ROOMS[:place]), room


@pytest.mark.parametrize("room", ROOMS)
def test_room_imports_only_what_the_table_allows(room: str) -> None:
    for path in modules_of(room):
        for name in imported(path, module_level_only=False):
            top, _, rest = name.partition(".")
            if top == "palpate":
                target = rest.split(".")[0]
                allowed = MAY_IMPORT[room] | {room, "__version__"}
                assert target in allowed, f"{path.relative_to(SOURCE)} imports {name}"


@pytest.mark.parametrize("room", NUMERIC_ROOMS)
def test_room_needs_three_libraries_at_most_when_imported(room: str) -> None:
    for path in modules_of(room):
        for name in imported(path, module_level_only=True):
            top = name.partition(".")[0]
            known = top in NUMERIC_LIBRARIES | {"palpate"} | set(sys.stdlib_module_names)
            assert known, f"{path.relative_to(SOURCE)} imports {name} at module level"


@pytest.mark.parametrize("room", NUMERIC_ROOMS)
def test_every_module_of_the_room_can_be_imported(room: str) -> None:
    package = importlib.import_module(f"palpate.{room}")
    for module in pkgutil.walk_packages(getattr(package, "__path__", []), f"palpate.{room}."):
        importlib.import_module(module.name)


def test_every_library_is_declared() -> None:
    sheet = tomllib.loads((GUIDE.parent / "pyproject.toml").read_text(encoding="utf-8"))
    project = sheet["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["activity"]]
    declared = {re.split(r"[^\w-]", one)[0].lower() for one in wanted}
    known = declared | {"palpate"} | set(sys.stdlib_module_names)
    known |= {"pywt", "_typeshed"}  # PyWavelets, and what only a type checker sees
    for path in SOURCE.rglob("*.py"):
        tops = {name.partition(".")[0] for name in imported(path, module_level_only=False)}
        assert tops <= known, f"{path.relative_to(SOURCE)} imports {tops - known}"


def test_only_the_command_line_prints() -> None:
    for path in SOURCE.rglob("*.py"):
        if path.name == "cli.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                assert node.func.id != "print", f"{path.relative_to(SOURCE)}:{node.lineno} prints"


def test_help_loads_no_heavy_library() -> None:
    code = (
        "import sys\n"
        "from palpate.cli import build_parser\n"
        "build_parser()\n"
        "heavy = {'numpy', 'scipy', 'matplotlib', 'h5py', 'wfdb', 'edfio', 'jinja2'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
