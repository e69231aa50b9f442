"""Read heart rates from activity files: GPX 1.1, TCX and FIT.

Formats
-------
* GPX 1.1 (https://www.topografix.com/GPX/1/1/): ``trkpt`` with ``time``, and the heart rate
  in an element named ``hr`` anywhere in the point's ``extensions``; UTC by its schema.
* TCX: ``Trackpoint`` with ``Time`` and ``HeartRateBpm/Value``.
* FIT: ``record`` messages with ``timestamp`` and ``heart_rate``, through fitdecode, which
  comes with ``pip install 'palpate[activity]'``.

Conventions
-----------
* Elements are known by their local names; namespaces differ between exports.
* XML is read as a stream by expat. A document type, which entities would need, is refused,
  and nothing outside the file is ever fetched.
* A point without a time is left out; one without heart rate is a reading of NaN.
* File second 0 is the first point's.
"""

from __future__ import annotations

import importlib
from array import array
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NoReturn
from xml.parsers import expat

import numpy as np

from palpate.io.raw import (
    Groups,
    RawBlock,
    RawChannel,
    RawFile,
    RawSeries,
    Say,
    checked_file,
    reading,
    silent,
)
from palpate.io.timestamps import has_zone
from palpate.signals import FloatArray
from palpate.validation import InputError, checked_times

HEART_RATE = "heart_rate"
XML_SUFFIXES = (".gpx", ".tcx")
FIT_SUFFIXES = (".fit",)
ACTIVITY_SUFFIXES = (*XML_SUFFIXES, *FIT_SUFFIXES)
# Where each format keeps a point, its time, and its heart rate (an element and its parent).
POINTS = {
    "GPX": ("trkpt", "time", ("hr", "")),
    "TCX": ("Trackpoint", "Time", ("Value", "HeartRateBpm")),
}
ROOTS = {"gpx": "GPX", "TrainingCenterDatabase": "TCX"}
CHUNK_BYTES = 1 << 20
# A time or a heart rate is short; text beyond this is not collected.
MAX_TEXT = 64
# A heart rate is stored in a byte by most devices; beyond that it is something else.
MAX_BPM = 255.0


def open_activity(path: Path, *, say: Say = silent) -> RawFile:
    """Open a GPX, TCX or FIT file; its only channel is the heart rate.

    ``say`` receives how many points had no time.
    """
    checked_file(path)
    fit = path.suffix.lower() in FIT_SUFFIXES
    kind = "FIT" if fit else path.suffix[1:].upper()
    with reading(path, kind, say):
        time_s, hr_bpm = _fit_points(path) if fit else _xml_points(path, say)
    if time_s.size == 0:
        raise InputError(f"{path} holds no track point with a time; export it again")
    if not np.isfinite(hr_bpm).any():
        raise InputError(f"{path} holds {time_s.size} track points but no heart rate")
    start = datetime.fromtimestamp(float(time_s[0]), UTC)
    series = RawSeries(checked_times(time_s - time_s[0], f"{path}: its times"), hr_bpm)

    def read(_: Groups) -> list[RawBlock]:
        raise InputError(f"{path} holds readings, not a waveform; give it the role 'heart_rate'")

    return RawFile(
        path=path,
        kind=kind,
        channels=(RawChannel(HEART_RATE, "bpm", float("nan")),),
        read=read,
        read_series=lambda _: series,
        start_time=start,
        parts=(path,),
    )


def _xml_points(path: Path, say: Say) -> tuple[FloatArray, FloatArray]:
    points = _Points(path)
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    parser.StartDoctypeDeclHandler = points.refuse_document_type
    parser.StartElementHandler = points.start
    parser.EndElementHandler = points.end
    parser.CharacterDataHandler = points.text
    try:
        with path.open("rb") as stream:
            while chunk := stream.read(CHUNK_BYTES):
                parser.Parse(chunk, False)
        parser.Parse(b"", True)
    except expat.ExpatError as exc:
        raise InputError(
            f"{path} is not well-formed XML (line {exc.lineno}: "
            f"{expat.ErrorString(exc.code)}); it may be cut short; export it again"
        ) from None
    if points.untimed:
        say(f"{path.name}: {points.untimed} track points have no time and are left out")
    return np.array(points.time_s, dtype=np.float64), np.array(points.hr_bpm, dtype=np.float64)


class _Points:
    """Collects time and heart rate of every track point as expat meets them."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.time_s, self.hr_bpm = array("d"), array("d")
        self.untimed = 0
        self._above: list[str] = []
        self._names = POINTS["GPX"]
        self._inside = False
        self._stamp = self._rate = ""
        self._take: Callable[[str], None] | None = None
        self._zones: set[bool] = set()

    def refuse_document_type(self, *_: Any) -> NoReturn:
        """Stop at a document type: activity files have none, attacks need one."""
        raise InputError(
            f"{self.path} declares a document type, which activity files do not and attacks do; "
            "export it again"
        )

    def start(self, tag: str, _: Any) -> None:
        """Enter an element."""
        name = tag.rpartition(" ")[2]
        if not self._above:
            if name not in ROOTS:
                raise InputError(
                    f"{self.path} begins with the element {name[:40]!r}; GPX begins with 'gpx' "
                    "and TCX with 'TrainingCenterDatabase'"
                )
            self._names = POINTS[ROOTS[name]]
        point, time, (rate, parent) = self._names
        self._take = None
        if name == point:
            self._inside, self._stamp, self._rate = True, "", ""
        elif self._inside and name == time and self._above[-1] == point:
            self._take = self._add_stamp
        elif self._inside and name == rate and parent in ("", self._above[-1]):
            self._take = self._add_rate
        self._above.append(name)

    def end(self, _: str) -> None:
        """Leave an element; leaving a point keeps it."""
        self._take = None
        if self._above.pop() == self._names[0] and self._inside:
            self._inside = False
            self._keep()

    def text(self, text: str) -> None:
        """Take the text of a time or a heart rate."""
        if self._take is not None:
            self._take(text)

    def _add_stamp(self, text: str) -> None:
        self._stamp = (self._stamp + text)[: MAX_TEXT + 1]

    def _add_rate(self, text: str) -> None:
        self._rate = (self._rate + text)[: MAX_TEXT + 1]

    def _keep(self) -> None:
        stamp = self._stamp.strip()
        if not stamp:
            self.untimed += 1
            return
        self.time_s.append(self._seconds(stamp))
        try:
            hr_bpm = float(self._rate) if self._rate.strip() else float("nan")
        except ValueError:
            hr_bpm = float("inf")
        if hr_bpm > MAX_BPM:
            raise InputError(
                f"{self.path}, track point {len(self.time_s)}: {self._rate[:20]!r} is not a heart "
                "rate in bpm"
            )
        self.hr_bpm.append(hr_bpm)

    def _seconds(self, stamp: str) -> float:
        number = len(self.time_s) + 1
        self._zones.add(has_zone(stamp, "iso8601"))
        if len(self._zones) > 1:
            raise InputError(
                f"{self.path}, track point {number}: times with and without a time zone are mixed"
            )
        try:
            moment = datetime.fromisoformat(stamp)
        except ValueError:
            raise InputError(
                f"{self.path}, track point {number}: {stamp!r} is not an ISO 8601 time"
            ) from None
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def _fit_points(path: Path) -> tuple[FloatArray, FloatArray]:
    try:
        fitdecode = importlib.import_module("fitdecode")
    except ImportError:
        raise InputError(
            f"{path} is a FIT file, and its reader is not installed; "
            "pip install 'palpate[activity]'"
        ) from None

    time_s, hr_bpm = array("d"), array("d")
    with fitdecode.FitReader(path, check_crc=fitdecode.CrcCheck.RAISE) as reader:
        for frame in reader:
            if not isinstance(frame, fitdecode.FitDataMessage) or frame.name != "record":
                continue
            stamp = frame.get_value("timestamp", fallback=None)
            if isinstance(stamp, datetime):
                rate = frame.get_value(HEART_RATE, fallback=None)
                time_s.append(stamp.timestamp())
                hr_bpm.append(float("nan") if rate is None else float(rate))
    return np.array(time_s, dtype=np.float64), np.array(hr_bpm, dtype=np.float64)
