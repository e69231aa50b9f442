"""From a bare machine (Python >= 3.11 and pip) to a running demo or a finished test run.

    python3 scripts/bootstrap.py demo    # installs, simulates a session, explains it
    python3 scripts/bootstrap.py test    # installs pinned versions, runs every check

Each makes its own virtual environment below ``.venv/`` and uses the standard library only.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
CONSTRAINTS = ROOT / "tests" / "constraints.txt"
NUMERIC_CORE = ("numpy", "scipy", "PyWavelets")
NUMERIC_TESTS = (
    "test_signals.py",
    "test_validation.py",
    "test_imports.py",
    "conditioning",
    "ecg",
    "ppg",
    "motion",
    "heartrate",
    "timing",
    "evaluation",
    "explanation",
    "study",
)


def main() -> int:
    """Run what the command line asks for; return its exit code."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("task", choices=("demo", "test"))
    task = parser.parse_args().task
    if sys.version_info < (3, 11):  # noqa: UP036 - an older Python may run this script
        print(f"palpate needs Python 3.11 or newer; this is {sys.version.split()[0]}")
        return 2
    return demo() if task == "demo" else test()


def demo() -> int:
    """Install palpate and explain the simulated hut-supply session."""
    python = environment("demo")
    install(python, str(ROOT))
    return run(python, "-m", "palpate.cli", "demo", "-o", str(ROOT / "out" / "demo"))


def test() -> int:
    """Lint, type-check, test the numeric rooms on their three libraries, then run the suite."""
    python = environment("test")
    install(python, "-c", str(CONSTRAINTS), "-e", f"{ROOT}[dev]")
    core = environment("core")
    install(core, "-c", str(CONSTRAINTS), *NUMERIC_CORE, "pytest", "hypothesis")
    install(core, "--no-deps", "-e", str(ROOT))
    numeric = [str(p) for name in NUMERIC_TESTS if (p := ROOT / "tests" / name).exists()]
    steps: list[tuple[Path, list[str]]] = [
        (python, ["-m", "ruff", "check", "."]),
        (python, ["-m", "ruff", "format", "--check", "."]),
        (python, ["-m", "mypy"]),
        (core, ["-m", "pytest", "-q", *numeric]),
        (python, ["-m", "pytest", "-q", "-n", "auto"]),
    ]
    for interpreter, arguments in steps:
        code = run(interpreter, *arguments)
        if code:
            return code
    return 0


def environment(name: str) -> Path:
    """Make the virtual environment ``.venv/name`` if it is not there; return its Python."""
    folder = ROOT / ".venv" / name
    python = folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    if not python.exists():
        print(f"making the virtual environment {folder.relative_to(ROOT)}", flush=True)
        venv.create(folder, with_pip=_has_ensurepip())
    return python


def install(python: Path, *what: str) -> None:
    """Install with the environment's own pip, or this Python's where it has none."""
    pip = (
        [str(python), "-m", "pip"]
        if _has_ensurepip()
        else [sys.executable, "-m", "pip", "--python", str(python)]
    )
    command = [*pip, "install", "--quiet", "--disable-pip-version-check", *what]
    print("installing", *(w.replace(str(ROOT), ".") for w in what if w != "-c"), flush=True)
    subprocess.run(command, check=True)


def run(python: Path, *arguments: str) -> int:
    """Run Python in the repository's folder with one thread per process; return its exit code."""
    single = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    command = [str(python), *arguments]
    print("+", "python", *(a.replace(str(ROOT), ".") for a in arguments), flush=True)
    return subprocess.run(command, cwd=ROOT, env={**os.environ, **single}, check=False).returncode


def _has_ensurepip() -> bool:
    return importlib.util.find_spec("ensurepip") is not None


if __name__ == "__main__":
    sys.exit(main())
