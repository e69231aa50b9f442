import numpy as np
import pytest

pytest.importorskip("wfdb", reason="the reader under test stands on wfdb")

from palpate.io.wfdb_annotations import read_annotations
from palpate.io.wfdb_record import open_wfdb
from palpate.validation import InputError


def test_gain_baseline_and_invalid_samples_are_honoured(wfdb_file):
    first, both = open_wfdb(wfdb_file).read([[0], [1, 0]])
    np.testing.assert_allclose(first.values[:, 0], (np.arange(1000) % 200) / 200)
    expected = (np.arange(1000) % 100 - 50) / 100
    assert np.isnan(both.values[3, 0])
    kept = np.arange(1000) != 3
    np.testing.assert_allclose(both.values[kept, 0], expected[kept])
    assert both.fs_hz == 250.0


def test_header_signal_file_and_bare_name_open_the_same_record(wfdb_file):
    for path in (wfdb_file, wfdb_file.with_suffix(".dat"), wfdb_file.with_suffix("")):
        raw = open_wfdb(path)
        assert [c.name for c in raw.channels] == ["MLII", "V5"]
        assert [c.unit for c in raw.channels] == ["mV", "mV"]
        assert [p.name for p in raw.parts] == ["hut.hea", "hut.dat"]


def test_a_header_may_not_point_elsewhere(wfdb_file):
    text = wfdb_file.read_text().replace("hut.dat", "../hut.dat")
    wfdb_file.write_text(text)
    with pytest.raises(InputError, match="cannot be read as a WFDB record"):
        open_wfdb(wfdb_file)


def test_several_samples_per_frame_keep_their_rate(tmp_path):
    import wfdb

    slow, fast = np.arange(100), np.arange(400)
    wfdb.wrsamp(
        "mix",
        fs=50,
        units=["mV", "mV"],
        sig_name=["slow", "fast"],
        e_d_signal=[slow, fast],
        samps_per_frame=[1, 4],
        fmt=["16", "16"],
        adc_gain=[1.0, 1.0],
        baseline=[0, 0],
        write_dir=str(tmp_path),
    )
    one, four = open_wfdb(tmp_path / "mix.hea").read([[0], [1]])
    assert (one.fs_hz, four.fs_hz) == (50.0, 200.0)
    np.testing.assert_array_equal(four.values[:, 0], fast)


def test_segments_are_read_as_one_record(tmp_path, wfdb_file):
    wfdb_file.with_name("night.hea").write_text("night/2 2 250 2000\nhut 1000\nhut 1000\n")
    night = open_wfdb(tmp_path / "night.hea")
    assert [channel.name for channel in night.channels] == ["MLII", "V5"]
    assert [part.name for part in night.parts] == ["night.hea", "hut.hea", "hut.dat"]
    (joined,), (alone,) = night.read([[0]]), open_wfdb(wfdb_file).read([[0]])
    np.testing.assert_array_equal(joined.values, np.vstack([alone.values, alone.values]))


def test_gaps_and_channels_that_a_segment_lacks_are_nan(tmp_path, wfdb_file):
    import wfdb

    wfdb.wrsamp(
        "late", fs=250, units=["mV"], sig_name=["V5"], p_signal=np.ones((1000, 1)), fmt=["16"],
        write_dir=str(tmp_path),
    )  # fmt: skip
    layout = "layout 2 250 0\n~ 0 200(0)/mV 16 0 0 0 0 MLII\n~ 0 200(0)/mV 16 0 0 0 0 V5\n"
    (tmp_path / "layout.hea").write_text(layout)
    segments = "layout 0\nhut 1000\n~ 500\nlate 1000\n"
    (tmp_path / "walk.hea").write_text(f"walk/4 2 250 2500\n{segments}")
    (block,) = open_wfdb(tmp_path / "walk.hea").read([[0, 1]])
    assert np.isnan(block.values[1000:1500]).all()
    assert np.isnan(block.values[1500:, 0]).all()
    np.testing.assert_allclose(block.values[:1000, 0], (np.arange(1000) % 200) / 200)
    np.testing.assert_allclose(block.values[1500:, 1], 1.0, atol=1e-3)


def lead(folder, name, *, line="16 100/mV 16 0 0 0 0 A", fs=250, counts=100):
    """Write a record of 50 samples and one or two channels by hand."""
    channels = "".join(f"{name}.dat {rest}\n" for rest in line.split(";"))
    (folder / f"{name}.hea").write_text(f"{name} {len(line.split(';'))} {fs} 50\n{channels}")
    (folder / f"{name}.dat").write_bytes(np.full(100, counts, "<i2").tobytes())
    return folder / f"{name}.hea"


@pytest.mark.parametrize(
    ("other", "message"),
    [
        ({"fs": 500}, "segment two runs at 500 Hz and the record at 250 Hz"),
        ({"line": "16 100/mV 16 0 0 0 0 B"}, "segment two holds other channels than the first"),
    ],
)
def test_segments_that_do_not_fit_their_record_are_refused(tmp_path, other, message):
    """header(5): one frame rate for all; in a fixed layout, the same signals in one order."""
    lead(tmp_path, "one")
    lead(tmp_path, "two", **other)
    (tmp_path / "both.hea").write_text("both/2 1 250 100\none 50\ntwo 50\n")
    with pytest.raises(InputError, match=message):
        open_wfdb(tmp_path / "both.hea")


def test_two_channels_of_one_name_may_differ_in_unit(tmp_path):
    raw = open_wfdb(lead(tmp_path, "twin", line="16 1/mV 16 0 0 0 0 A;16 1/g 16 0 0 0 0 A"))
    assert [(c.name, c.unit) for c in raw.channels] == [("A", "mV"), ("A", "g")]


@pytest.mark.parametrize(
    ("checksum", "told"),
    [(5000, False), (5000 - 65536, False), (5001, True), (0, False)],
)
def test_samples_that_miss_their_checksum_are_told_header_5(tmp_path, checksum, told):
    line = f"16 200(7)/mV 16 0 100 {checksum} 0 A"
    said = []
    (block,) = open_wfdb(lead(tmp_path, "sum", line=line), say=said.append).read([[0]])
    np.testing.assert_allclose(block.values, (100 - 7) / 200)
    assert any("do not add up to the checksum" in text for text in said) == told


def test_big_endian_and_ten_bit_samples_signal_5(tmp_path):
    """Format 61, and 310: the third sample's bits lie above two others, low ones first."""
    path = lead(tmp_path, "odd", line="61 1/mV 16 0 0 0 0 A")
    path.with_suffix(".dat").write_bytes(np.arange(-25, 25, dtype=">i2").tobytes())
    np.testing.assert_array_equal(open_wfdb(path).read([[0]])[0].values[:, 0], np.arange(-25, 25))
    path = lead(tmp_path, "ten", line="310 1/mV 10 0 0 0 0 A")
    words = [word for i in range(17) for word in ((i % 32) << 11 | 3 * i << 1, 1023 << 1)]
    path.with_suffix(".dat").write_bytes(np.array(words, "<u2").tobytes())
    expected = np.array([(3 * i, -1, i) for i in range(17)]).ravel()[:50]
    np.testing.assert_array_equal(open_wfdb(path).read([[0]])[0].values[:, 0], expected)


def test_a_missing_segment_is_one_sentence(tmp_path, wfdb_file):
    wfdb_file.with_name("night.hea").write_text("night/2 2 250 2000\nhut 1000\ngone 1000\n")
    with pytest.raises(InputError, match=r"gone\.hea"):
        open_wfdb(tmp_path / "night.hea")


def test_every_shared_record_matches_its_headers_checksum_and_first_value(data_dir):
    """header(5): each signal line ends in initial value, 16-bit checksum, block size, name."""
    headers = sorted((data_dir / "datasets" / "mitdb").glob("*.hea"))
    assert headers
    for header in headers:
        raw = open_wfdb(header)
        block = raw.read([[0, 1]])[0]
        assert block.values.shape == (650_000, 2)
        assert block.fs_hz == 360.0
        for line, column in zip(header.read_text().splitlines()[1:3], block.values.T, strict=True):
            fields = line.split()
            digital = np.round(column * float(fields[2]) + float(fields[4])).astype(np.int64)
            assert digital[0] == int(fields[5])
            assert (int(digital.sum()) - int(fields[6])) % 65536 == 0


def test_annotations_that_go_backwards_are_refused_with_the_files_name(tmp_path):
    """A skip of -8 samples behind a beat at 10 (annot(5): words of type and time difference)."""
    beat, skip = 1 << 10, 59 << 10
    words = [beat | 10, skip, 0xFFFF, 0xFFF8, beat | 0, 0]
    (tmp_path / "hut.atr").write_bytes(b"".join(word.to_bytes(2, "little") for word in words))
    with pytest.raises(InputError, match=r"hut\.atr holds times that go backwards; it is damaged"):
        read_annotations(tmp_path / "hut", annotator="atr", fs_hz=100.0)
