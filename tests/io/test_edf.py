import struct
from datetime import datetime

import numpy as np
import pytest

pytest.importorskip("edfio", reason="the reader under test stands on edfio")

from palpate.io.edf import open_edf
from palpate.validation import InputError


def hand_made(
    path, *, reserved="", onsets=None, digital=None, promised=None, rate=4,
    physical=("-100", "100"), range_=("-1000", "1000"),
):  # fmt: skip
    """Write an EDF byte by byte as https://www.edfplus.info/specs/edf.html lays it out."""
    digital = np.arange(12, dtype=np.int16) if digital is None else np.asarray(digital, np.int16)
    records = digital.reshape(-1, rate)
    n_signals = 1 if onsets is None else 2
    head = b"0       " + b"X X X X".ljust(80) + b"Startdate 01-MAR-2025 X X X".ljust(80)
    head += b"01.03.25" + b"18.30.05" + str(256 * (n_signals + 1)).encode().ljust(8)
    head += reserved.encode().ljust(44) + str(promised or len(records)).encode().ljust(8)
    head += b"1".ljust(8) + str(n_signals).encode().ljust(4)
    fields = [
        ("ECG", "EDF Annotations", 16), ("", "", 80), ("mV", "", 8), (physical[0], "-1", 8),
        (physical[1], "1", 8), (range_[0], "-32768", 8), (range_[1], "32767", 8), ("", "", 80),
        (str(rate), "8", 8), ("", "", 32),
    ]  # fmt: skip
    for first, second, width in fields:
        for text in (first, second)[:n_signals]:
            head += text.encode().ljust(width)
    body = b""
    for number, record in enumerate(records):
        body += struct.pack(f"<{rate}h", *record)
        if onsets is not None:
            body += f"+{onsets[number]}\x14\x14".encode().ljust(16, b"\0")
    path.write_bytes(head + body)
    return path


def test_samples_are_physical_by_the_headers_gain_and_offset_edf_spec(tmp_path):
    # physical = (digital - digital_min) * (pmax - pmin) / (dmax - dmin) + pmin, EDF specification
    raw = open_edf(hand_made(tmp_path / "a.edf"))
    block = raw.read([[0]])[0]
    expected = (np.arange(12) + 1000) * 200 / 2000 - 100
    np.testing.assert_allclose(block.values[:, 0], expected, atol=1e-12)
    assert block.fs_hz == 4.0
    assert raw.channels[0].unit == "mV"
    assert raw.start_time == datetime(2025, 3, 1, 18, 30, 5)


def test_interrupted_file_is_laid_on_one_time_base_edf_plus_2_2_4(tmp_path):
    path = hand_made(tmp_path / "d.edf", reserved="EDF+D", onsets=("0", "1", "3.5"))
    raw = open_edf(path)
    values = raw.read([[0]])[0].values[:, 0]
    expected = np.full(18, np.nan)
    physical = (np.arange(12) + 1000) * 0.1 - 100
    expected[:8], expected[14:] = physical[:8], physical[8:]
    np.testing.assert_allclose(values, expected, atol=1e-12)
    assert raw.kind == "EDF+D"


def test_pauses_in_a_file_that_claims_to_be_continuous_are_kept_and_told(tmp_path):
    path = hand_made(tmp_path / "c.edf", reserved="EDF+C", onsets=("0", "1", "3.5"))
    said = []
    values = open_edf(path, say=said.append).read([[0]])[0].values[:, 0]
    assert values.size == 18
    assert np.isnan(values[8:14]).all()
    assert said == ["c.edf: says it is continuous, but its data records leave 1 pause"]


@pytest.mark.parametrize("onsets", [("0", "1.02", "1.98"), ("0", "0", "0"), ("0", "x", "2")])
def test_unsteady_or_missing_onsets_move_nothing_in_a_continuous_file(tmp_path, onsets):
    path = hand_made(tmp_path / "c.edf", reserved="EDF+C", onsets=onsets)
    assert np.isfinite(open_edf(path).read([[0]])[0].values).sum() == 12


def test_an_interrupted_file_without_onsets_is_refused(tmp_path):
    path = hand_made(tmp_path / "d.edf", reserved="EDF+D", onsets=("0", "x", "2"))
    with pytest.raises(InputError, match="not all of its data records state their onset"):
        open_edf(path).read([[0]])


@pytest.mark.parametrize("physical", [("-3,2", "3,2"), ("", ""), ("0", "0")])
def test_without_a_usable_range_samples_are_counts_without_a_unit(tmp_path, physical):
    said = []
    raw = open_edf(hand_made(tmp_path / "u.edf", physical=physical), say=said.append)
    assert raw.channels[0].unit == ""
    np.testing.assert_array_equal(raw.read([[0]])[0].values[:, 0], np.arange(12))
    assert said == [
        "u.edf: the header gives channel 'ECG' no usable range, so its samples are counts "
        "without a unit"
    ]


def test_a_digital_range_that_no_sample_can_have_is_refused(tmp_path):
    path = hand_made(tmp_path / "w.edf", range_=("0", "65535"))
    with pytest.raises(InputError, match="digital values from 0 to 65535, which the format"):
        open_edf(path).read([[0]])


def test_continuous_file_with_annotations_has_no_gap(tmp_path):
    path = hand_made(tmp_path / "c.edf", reserved="EDF+C", onsets=("0", "1", "2"))
    assert np.isfinite(open_edf(path).read([[0]])[0].values).all()


@pytest.mark.parametrize("onsets", [("0", "0.5", "3"), ("0", "5", "2")])
def test_records_that_overlap_are_refused(tmp_path, onsets):
    path = hand_made(tmp_path / "d.edf", reserved="EDF+D", onsets=onsets)
    with pytest.raises(InputError, match="overlap or go backwards"):
        open_edf(path).read([[0]])


def test_an_absurd_onset_asks_for_no_memory(tmp_path):
    path = hand_made(tmp_path / "d.edf", reserved="EDF+D", onsets=("0", "1", "9999999"))
    with pytest.raises(InputError, match=r"a data record starts 1e\+07 s after the first"):
        open_edf(path).read([[0]])


def test_dates_that_disagree_are_no_reason_to_refuse(tmp_path):
    path = hand_made(tmp_path / "a.edf")
    content = path.read_bytes()
    path.write_bytes(content[:168] + b"02.04.26" + content[176:])
    assert open_edf(path).start_time == datetime(2025, 3, 1, 18, 30, 5)


def test_padding_at_the_end_is_missing_and_told(tmp_path):
    said = []
    raw = open_edf(
        hand_made(tmp_path / "p.edf", digital=[1, 2, -32768, 4, 5, -32768, -32768, -32768]),
        say=said.append,
    )
    values = raw.read([[0]])[0].values[:, 0]
    assert np.isfinite(values[:5]).all()
    assert np.isnan(values[5:]).all()
    assert len(said) == 1
    assert "padding" in said[0]


def test_two_lowest_samples_at_the_end_are_samples(tmp_path):
    raw = open_edf(hand_made(tmp_path / "p.edf", digital=[1, 2, 3, 4, 5, 6, -32768, -32768]))
    assert np.isfinite(raw.read([[0]])[0].values).all()


def test_open_number_of_records_takes_what_is_there(tmp_path):
    raw = open_edf(hand_made(tmp_path / "o.edf", promised=-1))
    assert raw.read([[0]])[0].values.shape == (12, 1)


def test_groups_keep_their_own_rates(edf_file):
    ecg, acc = open_edf(edf_file).read([[0], [3, 1]])
    assert (ecg.fs_hz, ecg.values.shape) == (100.0, (1000, 1))
    assert (acc.fs_hz, acc.values.shape) == (50.0, (500, 2))
    t = np.arange(500) / 50
    step = 4 / 65535  # one digital step of a range of 4 g in 16 bits
    np.testing.assert_allclose(acc.values[:, 0], np.cos(2 * np.pi * t + 2), atol=step)
    np.testing.assert_allclose(acc.values[:, 1], np.cos(2 * np.pi * t), atol=step)


def test_bdf_reads_as_edf_does(tmp_path):
    edfio = pytest.importorskip("edfio")
    data = np.sin(np.arange(400) / 10)
    path = tmp_path / "a.bdf"
    edfio.Bdf([edfio.BdfSignal(data, 100, label="ECG", physical_dimension="mV")]).write(path)
    raw = open_edf(path)
    assert raw.kind == "BDF"
    np.testing.assert_allclose(raw.read([[0]])[0].values[:, 0], data, atol=1e-6)


def test_a_latin_1_micro_sign_is_understood(tmp_path):
    path = hand_made(tmp_path / "u.edf")
    content = path.read_bytes()
    path.write_bytes(content[:352] + b"\xb5V".ljust(8) + content[360:])
    assert open_edf(path).channels[0].unit == "uV"


def test_every_shared_edf_loads_as_its_bytes_say(data_dir):
    """An independent reading by the EDF specification's offsets, without any library."""
    files = sorted((data_dir / "datasets" / "wrist_ppg_exercise").glob("*.edf"))
    assert files
    for file in files:
        content = file.read_bytes()
        n_signals = int(content[252:256])
        n_records = int(content[236:244])

        def field(offset, at, width, content=content, n_signals=n_signals):
            first = 256 + n_signals * offset + at * width
            return float(content[first : first + width])

        counts = [int(field(216, at, 8)) for at in range(n_signals)]
        records = np.frombuffer(content, "<i2", offset=256 * (n_signals + 1))
        records = records.reshape(n_records, sum(counts))
        blocks = open_edf(file).read([[0], [5]])
        for at, block in zip((0, 5), blocks, strict=True):
            digital = records[:, sum(counts[:at]) : sum(counts[: at + 1])].ravel().astype(float)
            pmin, pmax, dmin, dmax = (field(o, at, 8) for o in (104, 112, 120, 128))
            physical = (digital - dmin) * (pmax - pmin) / (dmax - dmin) + pmin
            found = block.values[:, 0]
            kept = np.isfinite(found)
            assert 0.98 < kept.mean() < 1.0  # every file ends in padding
            np.testing.assert_allclose(found[kept], physical[kept], rtol=1e-9, atol=1e-9)
            assert block.fs_hz == 256.0
