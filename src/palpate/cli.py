"""The command line: the only module that prints.

Exit codes: 0 done, 1 `validate` could not score every record, 2 the input cannot be used (one
sentence on stderr), 130 interrupted, 141 the reader of the output went away.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import re
import sys
from collections.abc import Iterable, Mapping
from types import ModuleType
from typing import Any, NoReturn, TypeVar

from palpate import __version__

T = TypeVar("T")

COMMANDS = ("demo", "explain", "study", "align", "look", "sheet", "pack", "validate", "fetch")
EPILOG = (
    "palpate is a research tool, not a medical device: it makes no diagnosis, and nothing it "
    "prints is a reason to start, stop or change exercise or treatment. Exit codes: 0 done, 1 "
    "validate could not score every record, 2 the input cannot be used, 130 interrupted."
)


class Parser(argparse.ArgumentParser):
    """A parser that answers a mistake with one sentence, as every other fault is answered.

    ``-6,0`` is a value, as ``-6`` is, not an option.
    """

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._negative_number_matcher = re.compile(r"-\.?\d[-+.,\de]*$")

    def error(self, message: str) -> NoReturn:
        """Say what is wrong and where help is; exit with 2."""
        told = re.sub(r"^argument (\S*-\S+): is ", r"\1 is ", message)
        self.exit(2, f"palpate: {told}; see {self.prog} --help\n")

    def _check_value(self, action: argparse.Action, value: Any) -> None:
        if action.dest == "command" and value not in COMMANDS:
            from palpate.validation import suggestion  # noqa: PLC0415 - only when something is wrong

            self.error(f"there is no command {value!r}{suggestion(value, COMMANDS)}")
        super()._check_value(action, value)


class Console:
    """What a command may say: text, progress on long work, and one machine-readable result."""

    def __init__(self, *, quiet: bool = False, as_json: bool = False) -> None:
        self.quiet = quiet
        self.json = as_json

    def say(self, text: str) -> None:
        """Print a line for a person; silent under ``--quiet`` and ``--json``."""
        if not (self.quiet or self.json):
            print(text)

    def warn(self, text: str) -> None:
        """Print a line on stderr that even ``--quiet`` does not hide."""
        print(f"palpate: {text}", file=sys.stderr)

    def result(self, mapping: Mapping[str, Any]) -> None:
        """Print the result as JSON under ``--json``."""
        if self.json:
            print(json.dumps(mapping, indent=2, allow_nan=False))

    def progress(
        self, items: Iterable[T], total: int | None = None, label: str = ""
    ) -> Iterable[T]:
        """Go through ``items`` behind a progress bar on a terminal's stderr."""
        if self.quiet or self.json or not sys.stderr.isatty():
            return items
        from tqdm import tqdm  # noqa: PLC0415 - only long work pays for it

        return tqdm(items, total=total, desc=label, leave=False, file=sys.stderr)  # type: ignore[no-any-return]


def build_parser() -> argparse.ArgumentParser:
    """Return the parser with every command's arguments."""
    parser = Parser(
        prog="palpate",
        description="Where, between the heart and the number on the wrist, was the "
        "information lost?",
        epilog=EPILOG,
    )
    parser.add_argument("--version", action="version", version=f"palpate {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in COMMANDS:
        module = _module(name)
        command = commands.add_parser(
            name, help=module.HELP, description=module.HELP, epilog=EPILOG
        )
        module.add_arguments(command)
        command.add_argument("--quiet", action="store_true", help="print nothing but errors")
        command.add_argument("--json", action="store_true", help="print the result as JSON")
    return parser


def main(argv: list[str] | None = None) -> int:
    """Run one command; return the exit code."""
    arguments = build_parser().parse_args(argv)
    console = Console(quiet=arguments.quiet, as_json=arguments.json)
    try:
        return int(_module(arguments.command).run(arguments, console))
    except KeyboardInterrupt:
        console.warn("interrupted; nothing half-written was left behind")
        return 130
    except BrokenPipeError:  # the reader of our output has gone, as in `palpate look ... | head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 141
    except (ValueError, OSError) as fault:
        console.warn(_sentence(fault))
        return 2


def _sentence(fault: Exception) -> str:
    """Return what a user can act on; anything else is our own bug, so it is raised again."""
    from palpate.io import explain_os_error  # noqa: PLC0415 - only when something is wrong
    from palpate.validation import InputError  # noqa: PLC0415

    if isinstance(fault, OSError):
        return explain_os_error(fault)
    if isinstance(fault, InputError):
        return " ".join(str(fault).split())
    raise fault


def _module(name: str) -> ModuleType:
    return importlib.import_module(f"palpate.commands.{name}")


if __name__ == "__main__":
    sys.exit(main())
