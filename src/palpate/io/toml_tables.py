"""Read a TOML table key by key, with messages that name the file, the key and the fix.

A `Table` hands out typed values and remembers which keys were asked for; ``finish``
then refuses whatever is left over, so a misspelt key is an error and never a default.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Iterable
from datetime import date, time
from pathlib import Path
from typing import Any, Literal, TypeVar, overload

from palpate.validation import InputError, suggestion

Item = TypeVar("Item")


def read_toml(path: Path) -> dict[str, Any]:
    """Return the TOML document in ``path``, or explain why there is none."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise InputError(f"{path} does not exist; check the path") from None
    except UnicodeDecodeError:
        raise InputError(f"{path} is not UTF-8 text; save it as UTF-8") from None
    except (tomllib.TOMLDecodeError, RecursionError) as exc:
        raise InputError(f"{path} is not valid TOML: {exc}") from None
    except OSError as exc:
        raise InputError(f"{path} cannot be read: {exc.strerror}") from None


class Table:
    """One TOML table; ``place`` is how messages name it, for instance ``sheet.toml``."""

    def __init__(self, data: dict[str, Any], place: str) -> None:
        self._data = data
        self._asked: list[str] = []
        self.place = place

    @property
    def empty(self) -> bool:
        """Whether nothing stands in the table."""
        return not self._data

    def with_defaults(self, defaults: dict[str, Any]) -> Table:
        """Return this table with ``defaults`` for absent keys; asked keys count in both."""
        merged = Table({**defaults, **self._data}, self.place)
        merged._asked = self._asked
        return merged

    def error(self, key: str, problem: str) -> InputError:
        """Return the error that says what is wrong with ``key`` here."""
        return InputError(f"{self.place}: {key} {problem}")

    def missing(self, key: str, remedy: str) -> InputError:
        """Return the error that says that ``key`` is missing, or which key is it, misspelt."""
        misspelt = self._misspelt(key)
        if misspelt:
            remedy = f"key {misspelt!r} seems to be it, misspelt"
        return self.error(key, f"is missing; {remedy}")

    def _misspelt(self, key: str) -> str | None:
        rest = [other for other in self._data if other not in self._asked]
        return next(iter(difflib.get_close_matches(key, rest, n=1, cutoff=0.7)), None)

    def take(self, key: str, default: Any = None) -> Any:
        """Return the raw value and mark ``key`` as known."""
        self._asked.append(key)
        return self._data.get(key, default)

    @overload
    def text(self, key: str, default: str) -> str: ...

    @overload
    def text(self, key: str, *, required: Literal[True]) -> str: ...

    @overload
    def text(self, key: str) -> str | None: ...

    def text(self, key: str, default: str | None = None, *, required: bool = False) -> str | None:
        """Return a text; ``None`` (or ``default``) where the key is absent."""
        value = self.take(key, default)
        if required and (value is None or value == ""):
            raise self.missing(key, f'add {key} = "..."')
        if value is not None and not isinstance(value, str):
            raise self.error(key, f"is {value!r}; it must be text in quotes")
        return value

    @overload
    def choice(self, key: str, allowed: Iterable[str], *, required: Literal[True]) -> str: ...

    @overload
    def choice(self, key: str, allowed: Iterable[str]) -> str | None: ...

    def choice(self, key: str, allowed: Iterable[str], *, required: bool = False) -> str | None:
        """Return a text that is one of ``allowed``, or None where the key is absent."""
        value, options = self.text(key), tuple(allowed)
        if value is None and not required:
            return None
        if value is None:
            raise self.missing(key, f"it must be one of {', '.join(options)}")
        if value not in options:
            near = difflib.get_close_matches(value.lower(), options, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise self.error(key, f"is {value!r}; it must be one of {', '.join(options)}{hint}")
        return value

    @overload
    def number(self, key: str, default: float) -> float: ...

    @overload
    def number(self, key: str, *, required: Literal[True]) -> float: ...

    @overload
    def number(self, key: str) -> float | None: ...

    def number(
        self, key: str, default: float | None = None, *, required: bool = False
    ) -> float | None:
        """Return a finite number as float; ``None`` (or ``default``) where the key is absent."""
        value = self.take(key, default)
        if value is None and not required:
            return None
        if value is None:
            raise self.missing(key, f"add {key} = <number>")
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            said = value if isinstance(value, (date, time)) else repr(value)
            raise self.error(key, f"is {said}; it must be a number")
        if not math.isfinite(value):
            raise self.error(key, f"is {value!r}; it must be a finite number")
        return float(value)

    def items(self, key: str, kinds: tuple[type[Item], ...], what: str) -> tuple[Item, ...]:
        """Return a list whose items are of ``kinds``; one item may stand without brackets."""
        value = self.take(key, [])
        listed = value if isinstance(value, list) else [value]
        for item in listed:
            if isinstance(item, bool) or not isinstance(item, kinds):
                raise self.error(key, f"holds {item!r}; it must be {what}")
        return tuple(listed)

    def tables(self, key: str, *, header: str | None = None) -> list[Table]:
        """Return the ``[[key]]`` tables below this one; messages call them by ``header``."""
        header = header or key
        value = self.take(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            misspelt = self._misspelt(key)
            hint = f"; correct the spelling of {misspelt!r}" if misspelt else ""
            raise self.error(key, f"must be written as [[{header}]] tables{hint}")
        return [
            Table(item, f"{self.place}: [[{header}]] {number}")
            for number, item in enumerate(value, 1)
        ]

    def finish(self) -> None:
        """Refuse the first key that nobody asked for."""
        for key in self._data:
            if key not in self._asked:
                hint = suggestion(key, self._asked)
                raise InputError(f"{self.place}: key {key!r} is not known{hint}")
