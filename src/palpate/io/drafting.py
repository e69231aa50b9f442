"""Draft a session sheet for files from the names and units of their channels.

Roles are guessed from what channels are commonly called (common practice, no source); the
draft says so, and everything a file cannot know stands in it as a comment to fill in. Files
whose names differ only in what they say of the sensor (``alder_ppg`` and ``alder_acc``), or
begin with another's name (``alder_hr`` beside ``alder``), are taken to be of one device, a
recording, if they lie in one folder; every other file becomes a recording of its own. A file
that names a sensor alone (``ppg``) is called after its folder.
"""

from __future__ import annotations

import json
import math
import os
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from palpate.io.layouts import layout_names
from palpate.io.raw import RawFile, Say, silent
from palpate.io.readers import open_raw
from palpate.io.sheet import HEART_RATE, SCHEMA, SourceSpec
from palpate.signals import Role

_UNIT_ROLES = {
    **dict.fromkeys(("g", "mg", "m/s2"), Role.ACC.value),
    **dict.fromkeys(("deg/s", "rad/s", "mdps"), Role.GYRO.value),
    "bpm": HEART_RATE,
}
_NAME_ROLES = (
    (HEART_RATE, re.compile(r"(^|[^a-z])(hr|bpm|heart.?rate|pulse.?rate)([^a-z]|$)")),
    (Role.ECG.value, re.compile(r"ecg|ekg|^(ml)?(i|ii|iii|avr|avl|avf|v[1-6])$")),
    (Role.GYRO.value, re.compile(r"gyr")),
    (Role.PPG.value, re.compile(r"ppg|pleth|green|(^|_)red|infra|(^|_)ir(_|$)")),
    (Role.ACC.value, re.compile(r"acc|^[xyz]$")),
)
_LIKELY_UNITS = {Role.ECG.value: "mV", Role.ACC.value: "g", Role.GYRO.value: "deg/s"}
_LIKELY_NM = (
    (re.compile(r"infra|(^|_)ir(_|$)"), 940),
    (re.compile(r"(^|_)red(_|$)"), 660),
)
_LIKELY_NAMED_UNITS = (
    (re.compile(r"_mg$"), "mg"),
    (re.compile(r"_g$"), "g"),
    (re.compile(r"_uv$"), "uV"),
    (re.compile(r"_mv$"), "mV"),
)
_SENSOR = re.compile(
    r"(^|[-_ .]+)(acc|accel|accelerometer|motion|gyro|gyroscope|imu|ppg|light|optical|ecg|ekg|hr"
    r"|bpm|rate|heart[-_ ]?rate)$",
    re.IGNORECASE,
)
"""What exports add to a device's name, one file for each sensor (common practice, no source)."""
_AXIS = re.compile(r"[_\s]?[xyz]([_\s]|$)")

_HEAD = """\
# Draft: roles are guesses from the channels' names. Check each, and fill in what is left
# open. What every key means: palpate's guide, session_sheet.md.
schema = {schema}
title = {title}
wearer = ""                  # a code, not a name
notes = ""
"""
_RECORDING = """
[[recording]]
name = {name}
file = {file}
device = ""
firmware = ""
placement = ""               # for instance "left wrist" or "chest"
# clock_offset_s = 0.0       # its second 0 in session seconds; leave out if you do not know
"""
_RATE = "# rate_hz = 100              # fill in: the file does not say\n"
_LAYOUT = """
# The file does not name its channels. If it is one of a known kind, no sheet is needed:
# palpate explain FILE --layout NAME, with one of {names}.
# Otherwise split the positions below into one channel per role.
"""
_TAIL = """
# [[activity]]               # one for each thing that was done
# name = "crate lifting"
# start_s = 300              # session seconds; or by the clock, start = 17:02:11
# end_s = 600
"""


def draft_sheet(*paths: Path | str, folder: Path | str = ".", say: Say = silent) -> str:
    """Return a draft sheet for one file or several, to be saved in ``folder``."""
    devices: dict[tuple[Path, str], list[RawFile]] = {}
    for path in paths:
        raw = open_raw(SourceSpec(Path(path)), say=say)
        own = (raw.path.parent, _device_name(raw.path))
        device = next((known for known in devices if _begins(own, known)), own)
        devices.setdefault(device, []).append(raw)
    head = _HEAD.format(schema=SCHEMA, title=_quoted(next(iter(devices))[1]))
    return head + "".join(_recording(*of, Path(folder)) for of in _named(devices)) + _TAIL


def _device_name(path: Path) -> str:
    """Return a file's name without its ending and without the sensor that it names."""
    return _SENSOR.sub("", path.stem) or path.resolve().parent.name


def _begins(own: tuple[Path, str], known: tuple[Path, str]) -> bool:
    """Say whether a file of a device's name is of a known device of its folder."""
    rest = own[1].removeprefix(known[1])
    return own == known or (own[0] == known[0] and rest != own[1] and not rest[0].isalnum())


def _named(
    devices: Mapping[tuple[Path, str], list[RawFile]],
) -> Iterator[tuple[str, list[RawFile]]]:
    """Yield a name that no other device has, and the files, of each device."""
    counts: Counter[str] = Counter()
    for (_, name), files in devices.items():
        counts[name] += 1
        yield name if counts[name] == 1 else f"{name} {counts[name]}", files


def _recording(name: str, files: list[RawFile], folder: Path) -> str:
    """Return a recording whose further files are named in their channels."""
    first = files[0]
    named = [_quoted(Path(os.path.relpath(raw.path, folder)).as_posix()) for raw in files]
    parts = [_RECORDING.format(name=_quoted(name), file=named[0])]
    parts += [] if _says_rate(first) else [_RATE]
    counts: Counter[str] = Counter()
    for raw, file in zip(files, named, strict=True):
        own = [f"file = {file}"] if raw is not first else []
        own += [_RATE.rstrip()] if own and not _says_rate(raw) else []
        groups, unused = _groups(raw, counts)
        parts += [_LAYOUT.format(names=", ".join(layout_names()))] if _unnamed(groups) else []
        parts += [_channel(raw, *group, own) for group in groups]
        if unused:
            listed = ", ".join(f"{at} {raw.channels[at].name}" for at in unused)
            parts.append(f"\n# Not used, as no role was recognised: {listed}\n")
    return "".join(parts)


def _says_rate(raw: RawFile) -> bool:
    return raw.read_series is not None or not math.isnan(raw.channels[0].fs_hz)


def guessed_role(name: str, unit: str) -> str | None:
    """Return the role that a channel's unit or name suggests."""
    if unit in _UNIT_ROLES:
        return _UNIT_ROLES[unit]
    return next((role for role, pattern in _NAME_ROLES if pattern.search(name.lower())), None)


def _unnamed(groups: list[tuple[str, str, list[int]]]) -> bool:
    return all(role == Role.OTHER for _, role, _ in groups)


def _groups(
    raw: RawFile, counts: Counter[str]
) -> tuple[list[tuple[str, str, list[int]]], list[int]]:
    """Return ``(name, role, positions)`` per waveform, and the positions left over.

    ``counts`` holds how often the recording has each role, and is brought up to date.
    """
    found: dict[tuple[str, str, float], list[int]] = {}
    unused = []
    for at in raw.signals:
        channel = raw.channels[at]
        role = guessed_role(channel.name, channel.unit)
        if role is None:
            unused.append(at)
            continue
        axes = role in (Role.ACC, Role.GYRO)
        stem = _AXIS.sub("", channel.name.lower()) if axes else ""
        stem = str(at) if role == HEART_RATE else stem
        rate = -1.0 if math.isnan(channel.fs_hz) else channel.fs_hz
        found.setdefault((role, stem, rate), []).append(at)
    if not found:
        found, unused = {(Role.OTHER.value, "", 0.0): unused}, []
    named = []
    for (role, _, _), positions in found.items():
        counts[role] += 1
        name = role if counts[role] == 1 else f"{role} {counts[role]}"
        named.append((name, role, positions))
    return named, unused


def _channel(raw: RawFile, name: str, role: str, positions: list[int], own: Sequence[str]) -> str:
    """Return a channel; ``own`` holds the lines that only a file of its own needs."""
    names = [raw.channels[at].name for at in positions]
    everywhere = [channel.name for channel in raw.channels]
    unique = all(everywhere.count(n) == 1 for n in names) and raw.kind != "MATLAB"
    units = {raw.channels[at].unit for at in positions}
    unit = units.pop() if len(units) == 1 else ""
    lines = ["", "[[recording.channel]]", f"role = {_quoted(role)}", *own]
    lines += [f"name = {_quoted(name)}"] if name != role else []
    lines.append(f"select = {json.dumps(names if unique else positions, ensure_ascii=False)}")
    if unit:
        lines.append(f"unit = {_quoted(unit)}")
    elif role != HEART_RATE:
        lines.append(f'# unit = "{_likely_unit(role, names)}"   # fill in: the file does not say')
    if role == Role.PPG:
        likely_nm = [_likely_nm(name) for name in names]
        lines.append(f"# wavelength_nm = {likely_nm}   # fill in if you know")
    return "\n".join(lines) + "\n"


def _likely_unit(role: str, names: Sequence[str]) -> str:
    """Return the unit that all names end in, or else one that is common for the role."""
    for pattern, unit in _LIKELY_NAMED_UNITS:
        if all(pattern.search(name.lower()) for name in names):
            return unit
    return _LIKELY_UNITS.get(role, "a.u.")


def _likely_nm(name: str) -> int:
    """Return a wavelength that is common for light of such a name, to show the form."""
    return next((nm for pattern, nm in _LIKELY_NM if pattern.search(name.lower())), 525)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
