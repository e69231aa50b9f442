from datetime import UTC, datetime

import numpy as np
import pytest

from palpate.io import delimited
from palpate.io.delimited import open_delimited
from palpate.io.sheet import SourceSpec
from palpate.validation import InputError


def opened(tmp_path, text, *, name="a.csv", said=None, **source):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    say = said.append if said is not None else lambda _: None
    return open_delimited(path, SourceSpec(path, **source), say=say)


def test_names_units_rate_and_samples(csv_file):
    said = []
    raw = open_delimited(csv_file, SourceSpec(csv_file), say=said.append)
    assert [c.name for c in raw.channels] == ["time_s", "green", "acc_x", "acc_y"]
    assert [c.unit for c in raw.channels] == ["", "", "g", "g"]
    assert raw.signals == (1, 2, 3)
    green, acc = raw.read([[1], [3, 2]])
    assert (green.fs_hz, green.start_s) == (50.0, 0.0)
    np.testing.assert_array_equal(green.values[:, 0], 1000 + np.arange(200))
    np.testing.assert_allclose(acc.values, np.arange(200)[:, None] / 1000 * [-1, 1])
    assert any("taking the time from column 'time_s'" in line for line in said)
    assert any("50 Hz" in line for line in said)


@pytest.mark.parametrize("mark", [";", "\t", "|"])
def test_decimal_commas_where_commas_part_no_fields(tmp_path, mark):
    rows = [f"t{mark}x"] + [f"{k},5{mark}-1,25e1" for k in range(4)]
    block = opened(tmp_path, "\n".join(rows), time="t").read([[1]])[0]
    assert block.values[:, 0].tolist() == [-12.5] * 4
    assert (block.fs_hz, block.start_s) == (1.0, 0.5)


def test_decimal_commas_among_field_commas_are_refused(tmp_path):
    raw = opened(tmp_path, "t,x\n0,1,25\n1,1,25\n", rate_hz=1.0)
    with pytest.raises(InputError, match=r"row 2 has 3 fields .* are decimals written with commas"):
        raw.read([[1]])


def test_missing_cells_are_missing_samples(tmp_path):
    raw = opened(tmp_path, "x,y\n1,1\n,2\nNA,3\nnull,4\nnan,5\n6,\n", rate_hz=10.0)
    values = raw.read([[0, 1]])[0].values
    np.testing.assert_array_equal(values[:, 0], [1, np.nan, np.nan, np.nan, np.nan, 6])
    np.testing.assert_array_equal(values[:, 1], [1, 2, 3, 4, 5, np.nan])


def test_blank_cells_are_parsed_as_quickly_as_numbers(tmp_path, monkeypatch):
    def refused(*_):
        raise AssertionError("cell by cell")

    monkeypatch.setattr("palpate.io.delimited._number", refused)
    raw = opened(tmp_path, "x;y;z\n1,5;;\n; ;3\n\n;2;\n", rate_hz=10.0)
    values = raw.read([[0, 1, 2]])[0].values
    nan = np.nan
    np.testing.assert_array_equal(values, [[1.5, nan, nan], [nan, nan, 3], [nan, 2, nan]])


def test_a_gap_in_time_becomes_missing_samples_and_is_told(tmp_path):
    rows = ["t,x"] + [f"{k / 10},{k}" for k in range(50) if not 20 <= k < 27]
    said = []
    block = opened(tmp_path, "\n".join(rows), time="t", said=said).read([[1]])[0]
    assert block.values.shape == (50, 1)
    np.testing.assert_array_equal(np.flatnonzero(np.isnan(block.values[:, 0])), np.arange(20, 27))
    assert any("7 of 50 samples are missing in time" in line for line in said)


def test_comments_blank_lines_bom_quotes_and_trailing_marks(tmp_path):
    text = '\ufeff# by a logger\n\nt,"light, green [a.u.]",\n0,1,\n\n1,"2",\n2,3,\n'
    raw = opened(tmp_path, text, time="t")
    assert raw.channels[1].name == "light, green"
    assert raw.channels[1].unit == "a.u."
    assert raw.read([[1]])[0].values[:, 0].tolist() == [1.0, 2.0, 3.0]


def test_words_in_a_column_that_nobody_reads_do_not_matter(tmp_path):
    raw = opened(tmp_path, "t,x,note\n0,1,start\n1,2,\n2,3,lift\n", time="t")
    assert raw.read([[1]])[0].values[:, 0].tolist() == [1.0, 2.0, 3.0]
    with pytest.raises(InputError, match=r"row 2, column 'note': 'start' is not a number"):
        raw.read([[2]])


def test_iso_stamps_with_zone_give_the_start(tmp_path):
    rows = ["timestamp,x"] + [f"2025-03-01T18:30:{5 + k:02d}+01:00,{k}" for k in range(5)]
    raw = opened(tmp_path, "\n".join(rows))
    assert raw.start_time == datetime(2025, 3, 1, 17, 30, 5, tzinfo=UTC)
    assert raw.read([[1]])[0].fs_hz == 1.0


@pytest.mark.parametrize("stamp", ["00:01", "00:75:00", "00:00:61.5"])
def test_a_time_of_day_has_hours_minutes_and_seconds(tmp_path, stamp):
    """``00:01`` may be a minute or a second: read wrongly, a series lasts sixty times as long."""
    with pytest.raises(InputError, match=r"is no time stamp of the kind 'clock' \(hh:mm:ss\)"):
        opened(tmp_path, f"time,bpm\n00:00:00,61\n{stamp},62\n").read_series(1)


def test_series_keeps_its_own_times(tmp_path):
    raw = opened(tmp_path, "t,bpm\n0,61\n1.2,62\n5,0\n", time="t")
    series = raw.read_series(1)
    assert series.time_s.tolist() == [0.0, 1.2, 5.0]
    assert series.values.tolist() == [61.0, 62.0, 0.0]


def test_blocks_join_without_a_seam(tmp_path, monkeypatch):
    text = "t,x\n" + "".join(f"{k / 100:.2f},{k * k}\n" for k in range(1000))
    whole = opened(tmp_path, text, time="t").read([[1]])[0]
    blocks = delimited._blocks
    monkeypatch.setattr(delimited, "_blocks", lambda table, size=7: blocks(table, size))
    pieces = opened(tmp_path, text, time="t").read([[1]])[0]
    np.testing.assert_array_equal(pieces.values, whole.values)
    np.testing.assert_array_equal(whole.values[:, 0], np.arange(1000.0) ** 2)


def test_quick_and_careful_parsing_agree(tmp_path):
    rng = np.random.default_rng(2)
    cells = [f"{v:.17g}" for v in rng.normal(size=500) * 10.0 ** rng.integers(-9, 9, 500)]
    quick = opened(tmp_path, "x,y\n" + "".join(f"{c},1\n" for c in cells), rate_hz=1.0)
    careful = opened(
        tmp_path, "x,y\n" + "".join(f'"{c}",1\n' for c in cells), name="b.csv", rate_hz=1.0
    )
    expected = [float(c) for c in cells]
    assert quick.read([[0]])[0].values[:, 0].tolist() == expected
    assert careful.read([[0]])[0].values[:, 0].tolist() == expected


@pytest.mark.parametrize(
    ("text", "source", "message"),
    [
        ("1,2\n3,4\n", {}, "no header line"),
        ("t,x\n", {}, "a header but no rows"),
        ("\n\n", {}, "not a text table"),
        ("t,x\n0,1\n1\n", {"time": "t"}, r"row 3 has 1 field and .* cut short"),
        ("t,x\n0,1\n1,2\n", {"time": "tt"}, "no time column 'tt'; did you mean 't'"),
        (
            "t,x\n0,1\n2,2\n1,3\n",
            {"time": "t"},
            "goes backwards in row 4, counting the header; sort the rows$",
        ),
        ("t,x\n0,1\n,2\n1,3\n", {"time": "t"}, "has no time in row 3, counting the header; fill"),
        ("t;x\n0;1\n1;1.234,5\n", {"time": "t"}, "row 3, column 'x': '1.234.5' is not a number"),
        (
            "t,x\n2025-10-26T02:59:59,1\n2025-10-26T02:00:00,2\n",
            {"time": "t"},
            "row 3, counting the header; sort the rows, or export the times with their zone",
        ),
        ("t,x\n2025-03-01,1\nlater,2\n", {"time": "t"}, "row 3, column 't': 'later' is no time"),
        ("t,x\n5,1\n6,2\n", {"time": "t", "time_unit": "clock"}, "is no time stamp of the kind"),
        (
            "t,x\n2025-03-01T10:00:00Z,1\n2025-03-01T10:00:01,2\n",
            {"time": "t"},
            "mixes stamps with and without a time zone",
        ),
    ],
)
def test_bad_text_is_explained(tmp_path, text, source, message):
    with pytest.raises(InputError, match=message):
        opened(tmp_path, text, **source).read([[1]])


def test_text_that_is_not_utf_8_is_refused(tmp_path):
    path = tmp_path / "l.csv"
    path.write_bytes("t,µV\n0,1\n1,2\n".encode("latin-1"))
    with pytest.raises(InputError, match="save it as UTF-8"):
        open_delimited(path, SourceSpec(path))


ROWS = "".join(f"{k / 50:.2f};{60 + k % 9};0.5\n" for k in range(120))


@pytest.mark.parametrize(
    "above",
    ["Device;Alder\nFirmware;2.1\n\n", "exported 2026-06-10, 19:02\n", "Alder;2.1;left\nby W1\n"],
)
def test_what_an_export_writes_above_the_header_is_skipped_and_said(tmp_path, above):
    path = tmp_path / "alder.csv"
    path.write_text(f"{above}time;bpm;x [g]\n{ROWS}", encoding="utf-8")
    said = []
    raw = open_delimited(path, SourceSpec(path), say=said.append)
    assert [(c.name, c.unit) for c in raw.channels] == [("time", ""), ("bpm", ""), ("x", "g")]
    (block,) = raw.read([[1]])
    assert block.values[:, 0].tolist() == [60 + k % 9 for k in range(120)]
    assert any("the header is taken to be 'time;bpm;x [g]'" in line for line in said)


@pytest.mark.parametrize(
    "text",
    [
        "x,y\nnan,\n,nan\n" + "1,2\n" * 60,  # the sensor starts late
        "0,x\n" + "1,2\n" * 60,  # a column's name is a number
        "time_s,event\n" + "".join(f"{k},word\n" for k in range(60)),
    ],
)
def test_a_first_line_that_names_the_columns_stays_the_header(tmp_path, text):
    path = tmp_path / "alder.csv"
    path.write_text(text, encoding="utf-8")
    said = []
    raw = open_delimited(path, SourceSpec(path, rate_hz=1.0), say=said.append)
    assert [c.name for c in raw.channels] == text.split("\n")[0].split(",")
    assert not any("header" in line for line in said)


@pytest.mark.parametrize("cell", ["", "nan", "NA", "null", "-", "--"])
def test_what_exports_write_for_no_value_is_missing(tmp_path, cell):
    raw = opened(tmp_path, f"t;bpm\n0;61\n1;{cell}\n2;63\n", time="t")
    assert np.isnan(raw.read_series(1).values).tolist() == [False, True, False]
