"""The session sheet: a TOML file that says which file plays which role in a session.

Every key is explained in the packaged guide, ``palpate/guide/session_sheet.md``. In short::

    schema = 1
    title = "Supply run, evening"

    [[recording]]                 # one device on one clock
    name = "alder"
    file = "alder.csv"            # relative to the sheet
    placement = "left wrist"
    clock_offset_s = -3.2         # session second = recording second * (1 + ppm/1e6) + offset

    [[recording.channel]]
    role = "ppg"                  # ecg, ppg, acc, gyro, heart_rate or other
    select = ["green"]            # names, or positions counted from 0
    unit = "a.u."                 # wins over what the file says
    wavelength_nm = 525

    [[activity]]
    name = "crate lifting"
    start_s = 300                 # session seconds, [start_s, end_s), or by the clock:
    end_s = 600                   # start = 17:02:11

Conventions
-----------
* The session clock is the first recording's, unless that recording states an offset.
* A sheet is checked whole when it is read; a key that is not known is an error.
* Keys of ``SOURCE_KEYS`` may stand in a recording, for all of its channels, or in a
  channel, which wins. A heart rate in a file of its own does not take the recording's
  ``rate_hz``, which is its samples'.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from palpate.io.activity_times import ActivitySpec, activities_on_clock, read_activity
from palpate.io.toml_tables import Table, read_toml
from palpate.signals import Role
from palpate.validation import InputError, checked_rate

SCHEMA = 1
HEART_RATE = "heart_rate"
ROLES = (*(role.value for role in Role), HEART_RATE)
TIME_UNITS = (
    *("s", "ms", "us", "ns"),
    *("unix_s", "unix_ms", "unix_us", "unix_ns"),
    *("iso8601", "clock"),
)
ORIENTATIONS = ("rows", "columns")
SOURCE_KEYS = ("file", "placement", "rate_hz", "time", "time_unit", "variable", "orientation")
# Beyond these a clock statement is a slip of the pen: a year, and one part in a hundred.
MAX_OFFSET_S = 366 * 86400.0
MAX_DRIFT_PPM = 10_000.0


@dataclass(frozen=True, slots=True)
class SourceSpec:
    """Where samples come from and how to read what the file itself does not say."""

    file: Path
    rate_hz: float | None = None
    time: str | None = None
    time_unit: str | None = None
    variable: str | None = None
    orientation: str | None = None


@dataclass(frozen=True, slots=True)
class ChannelSpec:
    """One waveform or heart-rate series to take from a file.

    ``select`` holds channel names or positions from 0; ``("all",)`` takes every channel,
    and empty the only one there is.
    """

    role: str
    source: SourceSpec
    name: str
    select: tuple[str | int, ...] = ()
    unit: str | None = None
    labels: tuple[str, ...] = ()
    wavelength_nm: tuple[float, ...] = ()
    placement: str = ""


@dataclass(frozen=True, slots=True)
class RecordingSpec:
    """One device's channels on one clock; ``clock_offset_s`` is None where not stated."""

    name: str
    channels: tuple[ChannelSpec, ...]
    device: str = ""
    firmware: str = ""
    placement: str = ""
    clock_offset_s: float | None = None
    clock_drift_ppm: float = 0.0


@dataclass(frozen=True, slots=True)
class Sheet:
    """A checked session sheet; ``place`` is how messages name it."""

    place: str
    title: str
    recordings: tuple[RecordingSpec, ...]
    activities: tuple[ActivitySpec, ...] = ()
    wearer: str = ""
    notes: str = ""


def read_sheet(path: Path | str) -> Sheet:
    """Read and check a session sheet; its files are relative to the sheet's own folder."""
    path = Path(path)
    return parse_sheet(Table(read_toml(path), path.name), folder=path.parent)


def parse_sheet(table: Table, *, folder: Path, file: Path | None = None) -> Sheet:
    """Check a sheet that has been read as TOML.

    ``folder`` is where relative files start; ``file``, if given, takes the place of
    ``{file}`` in the sheet's files and lends its stem to ``{stem}`` in title and names.
    """
    _check_schema(table)
    title = _filled(table.text("title", "{stem}" if file else ""), file)
    recordings = tuple(
        _recording(entry, folder=folder, file=file) for entry in table.tables("recording")
    )
    if not recordings:
        raise table.missing("recording", "a sheet needs at least one [[recording]]")
    _check_unique([r.name for r in recordings], f"{table.place}: two recordings are named")
    sheet = Sheet(
        place=table.place,
        title=title,
        recordings=recordings,
        activities=tuple(read_activity(entry) for entry in table.tables("activity")),
        wearer=table.text("wearer", ""),
        notes=table.text("notes", ""),
    )
    table.finish()
    activities_on_clock((one for one in sheet.activities if one.in_seconds), (), table.place)
    return sheet


def _check_schema(table: Table) -> None:
    if table.empty:
        raise InputError(
            f"{table.place} holds nothing; draft a sheet with: palpate sheet FILE -o NEW.toml"
        )
    schema = table.take("schema")
    if schema is None:
        raise table.missing("schema", f"begin the sheet with schema = {SCHEMA}")
    if schema != SCHEMA or isinstance(schema, bool):
        raise table.error("schema", f"is {schema!r}; this palpate reads schema = {SCHEMA}")


def _recording(table: Table, *, folder: Path, file: Path | None) -> RecordingSpec:
    name = _filled(table.text("name", required=True), file)
    table.place += f" {name!r}"
    offset = table.number("clock_offset_s")
    if offset is not None and abs(offset) > MAX_OFFSET_S:
        raise table.error("clock_offset_s", f"is {offset:g} s; more than a year is a slip")
    drift = table.number("clock_drift_ppm", 0.0)
    if abs(drift) > MAX_DRIFT_PPM:
        raise table.error(
            "clock_drift_ppm", f"is {drift:g}; a clock drifts by less than {MAX_DRIFT_PPM:g} ppm"
        )
    device, firmware = table.text("device", ""), table.text("firmware", "")
    shared = {key: value for key in SOURCE_KEYS if (value := table.take(key)) is not None}
    entries = table.tables("channel", header="recording.channel")
    if not entries:
        table.finish()  # a misspelt key may be why
        raise table.error("channel", "is missing; add a [[recording.channel]] with its role")
    channels = tuple(_channel(entry, shared, folder=folder, file=file) for entry in entries)
    _check_unique([c.name for c in channels], f"{table.place}: two channels are named")
    table.finish()
    return RecordingSpec(
        name=name,
        channels=channels,
        device=device,
        firmware=firmware,
        placement=str(shared.get("placement", "")),
        clock_offset_s=offset,
        clock_drift_ppm=drift,
    )


def _channel(
    table: Table, shared: dict[str, Any], *, folder: Path, file: Path | None
) -> ChannelSpec:
    role = table.choice("role", ROLES, required=True)
    if role == HEART_RATE and table.take("file") is not None:
        shared = {key: value for key, value in shared.items() if key != "rate_hz"}
    source, placement = _source(table.with_defaults(shared), folder=folder, file=file)
    wavelengths = tuple(
        float(v) for v in table.items("wavelength_nm", (int, float), "a number of nanometres")
    )
    if wavelengths and role != Role.PPG:
        raise table.error("wavelength_nm", f"stands in a channel of role {role!r}, not 'ppg'")
    for value in wavelengths:
        if not 200.0 <= value <= 2000.0:
            raise table.error("wavelength_nm", f"holds {value:g}; light of PPG has 200 to 2000 nm")
    positions = "a channel's name or its position from 0"
    select: tuple[str | int, ...] = table.items("select", (str, int), positions)
    for item in select:
        if isinstance(item, int) and item < 0:
            raise table.error("select", f"holds {item}; positions count from 0")
    _check_unique(list(select), f"{table.place}: select holds twice")
    spec = ChannelSpec(
        role=role,
        source=source,
        name=table.text("name") or role,
        select=select,
        unit=table.text("unit"),
        labels=table.items("labels", (str,), "text in quotes"),
        wavelength_nm=wavelengths,
        placement=placement,
    )
    table.finish()
    return spec


def _source(table: Table, *, folder: Path, file: Path | None) -> tuple[SourceSpec, str]:
    named = table.text("file", required=True)
    if file is None and "{file}" in named:
        raise table.error("file", "is '{file}', so this is a layout; use it with --layout")
    rate = table.number("rate_hz")
    source = SourceSpec(
        file=file if file and named == "{file}" else folder / named,
        rate_hz=None if rate is None else checked_rate(rate, f"{table.place}: rate_hz"),
        time=table.text("time"),
        time_unit=table.choice("time_unit", TIME_UNITS),
        variable=table.text("variable"),
        orientation=table.choice("orientation", ORIENTATIONS),
    )
    return source, table.text("placement", "")


def _filled(text: str, file: Path | None) -> str:
    return text.replace("{stem}", file.stem) if file else text


def _check_unique(names: list[str | int], problem: str) -> None:
    for place, name in enumerate(names):
        if name in names[:place]:
            raise InputError(f"{problem} {name!r}; give each its own")
