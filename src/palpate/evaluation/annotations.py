"""Annotations of a record, and how the EC57 comparison reads them.

Conventions
-----------
* A ``~`` annotation whose subtype has bits 4 and 5 set starts a shutdown, the next ``~``
  without them ends it; if something else comes next, the mark stands for the whole gap.
* Annotations between ``[`` and ``]`` (ventricular flutter or fibrillation) are no beats.
* Other annotations that are no beats (rhythm, signal quality, notes) are passed over.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from palpate.signals import BoolArray, FloatArray, IntArray, StrArray
from palpate.validation import InputError, checked_times

REFERENCE_CLASSES = ("N", "S", "V", "F", "Q", "O", "X")
ESTIMATE_CLASSES = ("n", "s", "v", "f", "q", "o", "x")
# MIT-BIH annotation symbols that are beats, by AAMI class. Paced beats and the marks of
# a detector that is still learning count as unclassifiable.
BEAT_CLASS = {
    **dict.fromkeys("NLRB", "N"),
    **dict.fromkeys("AaJSejn", "S"),
    **dict.fromkeys("VrE", "V"),
    "F": "F",
    **dict.fromkeys("Q/f?", "Q"),
}
_SHUTDOWN_BITS = 0x30
NEVER = 2**60
# The reference program remembers this many spans of each kind.
_REMEMBERED_SPANS = 2


@dataclass(frozen=True, slots=True, eq=False)
class Annotations:
    """Annotations of one record: ``(n,)`` seconds, MIT-BIH symbols and subtypes."""

    time_s: FloatArray
    symbol: StrArray
    subtype: IntArray

    def __post_init__(self) -> None:
        times = checked_times(self.time_s, "annotation times")
        if self.symbol.shape != times.shape or self.subtype.shape != times.shape:
            raise InputError("annotations need one symbol and one subtype per time")

    @classmethod
    def of_beats(cls, time_s: ArrayLike, symbol: str = "N") -> Annotations:
        """Return beats that all have the same symbol, as a detector without classes gives."""
        times = checked_times(time_s, "beat times")
        return cls(times, np.full(times.shape, symbol), np.zeros(times.shape, np.intp))

    @property
    def is_beat(self) -> BoolArray:
        """``(n,)`` True where the symbol stands for a beat."""
        return np.isin(self.symbol, list(BEAT_CLASS))


class Span(NamedTuple):
    """A stretch in samples, both ends included."""

    on: int
    off: int


@dataclass(slots=True)
class BeatStream:
    """The beats of one stream in samples, and the spans that had been read by then.

    ``rr[i]`` is the interval that ends at beat i, 0 where there is none. While beat i is
    the current one, the stream has been read up to beat i + 1: ``fibrillations_read[i]``
    and ``shutdowns_read[i]`` spans are known.
    """

    tick: list[int] = field(default_factory=list)
    label: list[int] = field(default_factory=list)
    rr: list[int] = field(default_factory=list)
    fibrillations: list[Span] = field(default_factory=list)
    shutdowns: list[Span] = field(default_factory=list)
    fibrillations_read: list[int] = field(default_factory=list)
    shutdowns_read: list[int] = field(default_factory=list)

    def time(self, i: int) -> int:
        """Return the sample of beat i; past the last one, never."""
        return self.tick[i] if i < len(self.tick) else NEVER

    def interval(self, i: int) -> int:
        """Return the RR interval that ends at beat i, 0 where there is none."""
        return self.rr[i] if i < len(self.rr) else 0

    def add_beat(self, tick: int, label: int) -> None:
        """Append a beat. Sample 0 stands for 'no beat yet', as in the reference program."""
        if self.tick:
            self.note_read()
        previous = self.tick[-1] if self.tick else 0
        recent = self.fibrillations[-_REMEMBERED_SPANS:] + self.shutdowns[-_REMEMBERED_SPANS:]
        broken = any(previous <= span.on < tick for span in recent)
        self.rr.append(0 if previous == 0 or broken else tick - previous)
        self.tick.append(tick)
        self.label.append(label)

    def in_fibrillation(self, i: int, sample: int) -> bool:
        """Say whether a sample lies in fibrillation, as known while beat i is current."""
        return _inside(self.fibrillations, self.fibrillations_read, i, sample)

    def in_shutdown(self, i: int, sample: int) -> bool:
        """Say whether a sample lies in a shutdown, as known while beat i is current."""
        return _inside(self.shutdowns, self.shutdowns_read, i, sample)

    def note_read(self) -> None:
        """Note how many spans were read while the last beat is the current one."""
        self.fibrillations_read.append(len(self.fibrillations))
        self.shutdowns_read.append(len(self.shutdowns))

    def add_shutdown(self, on: int, following: int | None, *, ended: bool, window: int) -> None:
        """Append a shutdown that starts at a mark and ends at the next, or around the mark.

        A mark without an end (the AHA database's way) stands for the stretch from a
        window after the last beat or fibrillation to a window before what follows.
        """
        if following is None:
            self.shutdowns.append(Span(on, NEVER))
        elif ended:
            self.shutdowns.append(Span(on, following))
        else:
            before = max([0, *self.tick[-1:], *(off for _, off in self.fibrillations[-1:])])
            self.shutdowns.append(
                Span(min(before + window, following - window), following - window)
            )


def _inside(spans: list[Span], read: list[int], i: int, sample: int) -> bool:
    """Say whether a sample lies in one of the last spans known while beat i is current."""
    known = read[i] if i < len(read) else len(spans)
    recent = spans[max(0, known - _REMEMBERED_SPANS) : known]
    return any(on <= sample <= off for on, off in recent)


def read_stream(annotations: Annotations, fs_hz: float, window: int) -> BeatStream:
    """Sort annotations into beats, fibrillation and shutdown."""
    ticks = [whole_sample(tick) for tick in (annotations.time_s * fs_hz).tolist()]
    symbols, subtypes = annotations.symbol.tolist(), annotations.subtype.tolist()
    stream = BeatStream()
    k = 0
    while k < len(ticks):
        symbol = symbols[k]
        if symbol in BEAT_CLASS:
            stream.add_beat(ticks[k], REFERENCE_CLASSES.index(BEAT_CLASS[symbol]))
        elif symbol == "~" and _is_off(subtypes[k]):
            following = ticks[k + 1] if k + 1 < len(ticks) else None
            ended = symbols[k + 1 : k + 2] == ["~"] and not _is_off(subtypes[k + 1])
            stream.add_shutdown(ticks[k], following, ended=ended, window=window)
            k += ended
        elif symbol == "[":
            on = ticks[k]
            while k < len(ticks) and symbols[k] != "]":
                k += 1
            stream.fibrillations.append(Span(on, ticks[k] if k < len(ticks) else NEVER))
        k += 1
    stream.note_read()
    return stream


def _is_off(subtype: int) -> bool:
    return subtype & _SHUTDOWN_BITS == _SHUTDOWN_BITS


def whole_sample(samples: float) -> int:
    """Round half up, as the reference program does."""
    return math.floor(samples + 0.5)
