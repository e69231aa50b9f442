"""Activity files made here by their public formats, read back, and damaged in every way."""

from __future__ import annotations

import struct
import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from palpate.io.activity_files import open_activity
from palpate.validation import InputError

GPX_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<gpx version="1.1" creator="hut crew" xmlns="http://www.topografix.com/GPX/1/1" '
    'xmlns:ext="urn:example:extension">\n<trk><trkseg>\n'
)
GPX_TAIL = "</trkseg></trk></gpx>\n"
FIT_EPOCH_S = 631_065_600  # 1989-12-31T00:00:00Z, second 0 of FIT time stamps
CRC_TABLE = (
    *(0x0000, 0xCC01, 0xD801, 0x1400, 0xF001, 0x3C00, 0x2800, 0xE401),
    *(0xA001, 0x6C00, 0x7800, 0xB401, 0x5000, 0x9C01, 0x8801, 0x4400),
)


def gpx_point(stamp: str | None, hr: str | None) -> str:
    time = "" if stamp is None else f"<time>{stamp}</time>"
    rate = "" if hr is None else f"<ext:TrackPoint><ext:hr>{hr}</ext:hr></ext:TrackPoint>"
    return f'<trkpt lat="46.5" lon="9.8">{time}<extensions>{rate}</extensions></trkpt>\n'


def gpx(tmp_path: Path, *points: tuple[str | None, str | None], name: str = "run.gpx") -> Path:
    path = tmp_path / name
    path.write_text(GPX_HEAD + "".join(gpx_point(*p) for p in points) + GPX_TAIL, "utf-8")
    return path


def crc16(data: bytes) -> int:
    crc = 0
    for byte in data:
        for nibble in (byte & 0xF, byte >> 4):
            crc = (crc >> 4) ^ CRC_TABLE[crc & 0xF] ^ CRC_TABLE[nibble]
    return crc


def fit_bytes(readings: list[tuple[int, int]]) -> bytes:
    """Encode ``record`` messages of FIT time stamp (field 253) and heart rate (field 3)."""
    definition = struct.pack("<BBBHB", 0x40, 0, 0, 20, 2) + bytes((253, 4, 0x86, 3, 1, 0x02))
    data = definition + b"".join(struct.pack("<BIB", 0, t, hr) for t, hr in readings)
    header = struct.pack("<BBHI4s", 14, 0x10, 2100, len(data), b".FIT")
    content = header + struct.pack("<H", crc16(header)) + data
    return content + struct.pack("<H", crc16(content))


def test_gpx_1_1_gives_times_and_heart_rates(tmp_path: Path) -> None:
    path = gpx(
        tmp_path,
        ("2025-09-13T16:30:00Z", "71"),
        ("2025-09-13T16:30:01.5Z", "72"),
        (None, "99"),
        ("2025-09-13T18:30:03+02:00", None),
    )
    said: list[str] = []
    raw = open_activity(path, say=said.append)
    assert raw.start_time == datetime(2025, 9, 13, 16, 30, tzinfo=UTC)
    assert raw.read_series is not None
    series = raw.read_series(0)
    np.testing.assert_allclose(series.time_s, [0.0, 1.5, 3.0])
    np.testing.assert_array_equal(series.values, [71.0, 72.0, np.nan])
    assert said == ["run.gpx: 1 track points have no time and are left out"]


def test_gpx_times_without_zone_are_utc_as_its_schema_says(tmp_path: Path) -> None:
    path = gpx(tmp_path, ("2025-09-13T16:30:00", "71"), ("2025-09-13T16:30:01", "72"))
    assert open_activity(path).start_time == datetime(2025, 9, 13, 16, 30, tzinfo=UTC)


def test_gpx_is_read_across_chunks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("palpate.io.activity_files.CHUNK_BYTES", 7)
    path = gpx(tmp_path, ("2025-09-13T16:30:00Z", "171"), ("2025-09-13T16:30:01Z", "172"))
    series = open_activity(path).read_series
    assert series is not None
    np.testing.assert_array_equal(series(0).values, [171.0, 172.0])


def test_tcx_takes_the_heart_rate_and_no_other_value(tmp_path: Path) -> None:
    point = (
        "<Trackpoint><Time>2025-09-13T16:30:0{0}Z</Time><Cadence><Value>50</Value></Cadence>"
        "<HeartRateBpm><Value>9{0}</Value></HeartRateBpm></Trackpoint>"
    )
    path = tmp_path / "lift.tcx"
    path.write_text(
        '<TrainingCenterDatabase xmlns="urn:example"><Track>'
        "<AverageHeartRateBpm><Value>1</Value></AverageHeartRateBpm>"
        + point.format(1)
        + point.format(2)
        + "</Track></TrainingCenterDatabase>",
        "utf-8",
    )
    series = open_activity(path).read_series
    assert series is not None
    np.testing.assert_array_equal(series(0).values, [91.0, 92.0])


def test_fit_gives_times_and_heart_rates(tmp_path: Path) -> None:
    pytest.importorskip("fitdecode", reason="FIT is an optional extra")
    path = tmp_path / "ride.fit"
    path.write_bytes(fit_bytes([(1_000_000_000, 80), (1_000_000_001, 255), (1_000_000_005, 83)]))
    raw = open_activity(path)
    assert raw.start_time == datetime.fromtimestamp(FIT_EPOCH_S + 1_000_000_000, UTC)
    assert raw.read_series is not None
    series = raw.read_series(0)
    np.testing.assert_allclose(series.time_s, [0.0, 1.0, 5.0])
    np.testing.assert_array_equal(series.values, [80.0, np.nan, 83.0])  # 255 is 'invalid'


def test_fit_without_its_reader_names_the_extra(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "fitdecode", None)
    path = tmp_path / "ride.fit"
    path.write_bytes(fit_bytes([(1_000_000_000, 80)]))
    with pytest.raises(InputError, match=r"pip install 'palpate\[activity\]'"):
        open_activity(path)


@pytest.mark.parametrize("cut", [3, 20, 30])
def test_damaged_fit_is_one_sentence(tmp_path: Path, cut: int) -> None:
    pytest.importorskip("fitdecode", reason="FIT is an optional extra")
    path = tmp_path / "ride.fit"
    path.write_bytes(fit_bytes([(1_000_000_000 + i, 80) for i in range(5)])[:cut])
    with pytest.raises(InputError, match="FIT"):
        open_activity(path)


def test_fit_with_a_flipped_bit_fails_its_checksum(tmp_path: Path) -> None:
    pytest.importorskip("fitdecode", reason="FIT is an optional extra")
    content = bytearray(fit_bytes([(1_000_000_000 + i, 80) for i in range(5)]))
    content[-5] ^= 1
    path = tmp_path / "ride.fit"
    path.write_bytes(bytes(content))
    with pytest.raises(InputError, match="CRC"):
        open_activity(path)


BOMB = (
    '<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]>'
    "<gpx><trk><trkseg><trkpt><time>&b;</time></trkpt></trkseg></trk></gpx>"
)
FILE_ENTITY = (
    '<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a SYSTEM "file:///etc/passwd">]>'
    "<gpx><trk><name>&a;</name></trk></gpx>"
)
NETWORK = '<?xml version="1.0"?><!DOCTYPE gpx SYSTEM "http://example.invalid/gpx.dtd"><gpx/>'


@pytest.mark.parametrize("text", [BOMB, FILE_ENTITY, NETWORK])
def test_hostile_xml_is_refused_at_its_document_type(tmp_path: Path, text: str) -> None:
    path = tmp_path / "trap.gpx"
    path.write_text(text, "utf-8")
    with pytest.raises(InputError, match="declares a document type"):
        open_activity(path)


def test_text_without_end_is_not_collected(tmp_path: Path) -> None:
    path = gpx(tmp_path, ("2025-09-13T16:30:00Z", "7" * 5_000_000))
    with pytest.raises(InputError, match="is not a heart rate") as caught:
        open_activity(path)
    assert len(str(caught.value)) < 500


@pytest.mark.parametrize(
    ("points", "message"),
    [
        ([], "holds no track point with a time"),
        ([(None, "70")], "holds no track point with a time"),
        ([("2025-09-13T16:30:00Z", None)], "1 track points but no heart rate"),
        ([("yesterday", "70")], "track point 1: 'yesterday' is not an ISO 8601 time"),
        ([("2025-09-13T16:30:00Z", "fast")], "track point 1: 'fast' is not a heart rate"),
        (
            [("2025-09-13T16:30:00Z", "70"), ("2025-09-13T16:30:01", "71")],
            "with and without a time zone",
        ),
        (
            [("2025-09-13T16:30:05Z", "70"), ("2025-09-13T16:30:01Z", "71")],
            "goes backwards after item 0",
        ),
    ],
)
def test_unusable_track_is_one_sentence(
    tmp_path: Path, points: list[tuple[str | None, str | None]], message: str
) -> None:
    with pytest.raises(InputError, match=message) as caught:
        open_activity(gpx(tmp_path, *points))
    assert "run.gpx" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (GPX_HEAD, "not well-formed XML"),
        ("<html></html>", "begins with the element 'html'"),
        ("time,hr\n1,70\n", "not well-formed XML"),
    ],
)
def test_what_is_no_activity_file_is_one_sentence(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "run.gpx"
    path.write_text(text, "utf-8")
    with pytest.raises(InputError, match=message):
        open_activity(path)


def test_readings_are_no_waveform(tmp_path: Path) -> None:
    raw = open_activity(gpx(tmp_path, ("2025-09-13T16:30:00Z", "70")))
    with pytest.raises(InputError, match="give it the role 'heart_rate'"):
        raw.read([[0]])
