"""What every reader returns: a file's channels, and a function that loads some of them.

Opening a file reads its header only. `RawFile.read` then loads several groups of
channels at once, so that a text file is parsed and a record is decoded a single time.
Library errors stop here: `reading` turns them into one sentence that names the file.
"""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TypeAlias

from palpate.signals import FloatArray
from palpate.validation import InputError

Say: TypeAlias = Callable[[str], None]

# Spellings of units as files carry them, and how palpate writes them.
UNIT_SPELLINGS = {
    "ms^-2": "m/s2",
    "ms-2": "m/s2",
    "m/s^2": "m/s2",
    "m/s²": "m/s2",
    "m/s/s": "m/s2",
    "m/sec2": "m/s2",
    "degs^-1": "deg/s",
    "deg/sec": "deg/s",
    "°/s": "deg/s",
    "dps": "deg/s",
    "µV": "uV",
    "μV": "uV",
}


def silent(_: str) -> None:
    """Take a message and drop it: the default where nobody listens."""


@dataclass(frozen=True, slots=True)
class RawChannel:
    """A channel as its file names it; ``fs_hz`` is NaN where the file does not say."""

    name: str
    unit: str
    fs_hz: float


@dataclass(frozen=True, slots=True, eq=False)
class RawBlock:
    """Uniform samples ``values (n, k)``; ``start_s`` is the first one's file second."""

    values: FloatArray
    fs_hz: float
    start_s: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class RawSeries:
    """Readings of one channel at their own times ``time_s (n,)`` in file seconds."""

    time_s: FloatArray
    values: FloatArray


Groups: TypeAlias = Sequence[Sequence[int]]


@dataclass(frozen=True, slots=True, eq=False)
class RawFile:
    """An opened file.

    Parameters
    ----------
    path
        The file that was named.
    kind
        The format, as a person calls it.
    channels
        In file order; a group of ``read`` holds positions in this tuple.
    read
        Load groups of channels, one block per group; a group's channels share a rate.
    read_series
        Load one channel at its own times; None where the format has uniform samples only.
    start_time
        When file second 0 was, if the file says so.
    time_channel
        Position of the channel that holds the time, if one does.
    parts
        Every file that samples come from, for hashing.
    """

    path: Path
    kind: str
    channels: tuple[RawChannel, ...]
    read: Callable[[Groups], list[RawBlock]]
    read_series: Callable[[int], RawSeries] | None = None
    start_time: datetime | None = None
    time_channel: int | None = None
    parts: tuple[Path, ...] = ()

    @property
    def signals(self) -> tuple[int, ...]:
        """Positions of all channels but the time."""
        return tuple(i for i in range(len(self.channels)) if i != self.time_channel)


def checked_file(path: Path) -> Path:
    """Return ``path`` if it is a readable, non-empty file."""
    if not path.exists():
        raise InputError(f"{path} does not exist; check the path")
    if not path.is_file():
        raise InputError(f"{path} is not a file; name a file")
    if path.stat().st_size == 0:
        raise InputError(f"{path} is empty; export it again")
    return path


@contextlib.contextmanager
def reading(path: Path, kind: str, say: Say = silent) -> Iterator[None]:
    """Turn whatever a library raises into one sentence, and its warnings into messages.

    Readers of foreign formats raise almost anything on damaged bytes, so this is the
    one place that catches every ``Exception``.
    """
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            yield
        except InputError:
            raise
        except PermissionError:
            raise InputError(f"{path} may not be read; change its permissions") from None
        except MemoryError:
            raise InputError(f"{path} does not fit in memory, or is damaged") from None
        except Exception as exc:
            raise InputError(
                f"{path} cannot be read as {kind} ({one_line(exc)}); it may be damaged, cut "
                "short, or of another format"
            ) from exc
    for warning in caught:
        if not issubclass(warning.category, DeprecationWarning):
            say(f"{path.name}: {one_line(warning.message)}")


def one_line(exc: BaseException | Warning | str) -> str:
    """Return a message on one line, or the error's type where it has none."""
    text = " ".join(str(exc).split()).rstrip(".")
    return (text[:160] + " …" if len(text) > 160 else text) or type(exc).__name__


def counted(n: int, thing: str) -> str:
    """Return ``"1 field"`` or ``"2 fields"``."""
    return f"{n} {thing}{'s' * (n != 1)}"


def plain_unit(unit: str) -> str:
    """Return ``unit`` in palpate's spelling where it is a known one."""
    unit = unit.strip()
    return UNIT_SPELLINGS.get(unit, unit)
