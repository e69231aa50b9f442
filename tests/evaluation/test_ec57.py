"""The EC57 rule against the outputs of the reference program, bxb of the WFDB software.

The figures of single cases and of the synthetic streams were produced by version 10.7.0
of that program; the four-record summary is the published check file of its ``sumstats``.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from palpate.evaluation import Annotations, compare_ec57
from palpate.evaluation.annotations import BEAT_CLASS, ESTIMATE_CLASSES, REFERENCE_CLASSES
from palpate.validation import InputError

SYNTHETIC_CASES = (
    "syn1",
    "syn2",
    "syn8",
    "syn9",
    "syn14",
    "syn15",
    "syn21",
    "syn27",
    "syn29",
    "syn35",
)
MITDB_SAMPLES = 650_000
MITDB_HZ = 360.0


def _beats(samples, fs_hz):
    return Annotations.of_beats(np.asarray(samples) / fs_hz)


def _tp_fn_fp(result):
    statistics = result.statistics
    tp = statistics.qrs_sensitivity.numerator
    return (
        tp,
        statistics.qrs_sensitivity.denominator - tp,
        statistics.qrs_positive_predictivity.denominator - tp,
    )


@pytest.mark.parametrize(
    ("reference", "estimate", "tp_fn_fp"),
    [
        pytest.param([1000, 1300], [1038, 1300], (5, 0, 0), id="on the window's edge"),
        pytest.param([1000, 1300], [1039, 1300], (4, 1, 1), id="one sample past the edge"),
        pytest.param([1000, 1064, 1500], [1032, 1089, 1500], (6, 0, 0), id="2002 clause"),
        pytest.param([1000, 1300], [980, 1010, 1300], (5, 0, 1), id="two tests in one window"),
        pytest.param([1000, 1060, 1500], [1035, 1500], (5, 1, 0), id="one test near the second"),
        pytest.param([1000, 1060, 1500], [1030, 1500], (5, 1, 0), id="equidistant"),
    ],
)
def test_ec57_pairing_rule_single_cases(reference, estimate, tp_fn_fp):
    base = [100, 400, 700]
    result = compare_ec57(
        _beats(base + reference, 250), _beats(base + estimate, 250), fs_hz=250, learning_s=0
    )
    assert _tp_fn_fp(result) == tp_fn_fp


@pytest.mark.parametrize(
    ("reference", "estimate", "tp_fn_fp"),
    [
        pytest.param([108010], [107990], (3, 0, 0), id="last learning beat fits"),
        pytest.param([107990], [108010], (2, 0, 0), id="reference beat just before the start"),
        pytest.param([], [108100], (2, 0, 1), id="extra after the window"),
        pytest.param([], [108020], (2, 0, 0), id="early extra is not held against it"),
    ],
)
def test_ec57_learning_period_edges(reference, estimate, tp_fn_fp):
    around = [107000, 107300], [108310, 108610]
    reference, estimate = (
        _beats([*around[0], *extra, *around[1]], MITDB_HZ) for extra in (reference, estimate)
    )
    result = compare_ec57(reference, estimate, fs_hz=MITDB_HZ)
    assert _tp_fn_fp(result) == tp_fn_fp


@pytest.mark.parametrize(
    ("fs_hz", "largest"),
    [
        (125, 19),
        (128, 19),
        (200, 30),
        (250, 38),
        (256, 38),
        (360, 54),
        (500, 75),
        (512, 77),
        (1000, 150),
    ],
)
def test_ec57_match_window_is_150_ms_in_whole_samples(fs_hz, largest):
    reference = np.arange(1, 20) * fs_hz
    for offset, matched in ((largest, 19), (largest + 1, 0)):
        result = compare_ec57(
            _beats(reference, fs_hz), _beats(reference + offset, fs_hz), fs_hz=fs_hz, learning_s=0
        )
        assert _tp_fn_fp(result)[0] == matched


def _synthetic(rows, case, stream):
    chosen = [row for row in rows if row["case"] == case and row["stream"] == stream]
    return Annotations(
        np.array([int(row["sample"]) for row in chosen]) / MITDB_HZ,
        np.array([row["symbol"] for row in chosen]),
        np.array([int(row["subtype"]) for row in chosen]),
    )


@pytest.mark.parametrize("case", SYNTHETIC_CASES)
def test_ec57_class_matrix_fibrillation_and_shutdown(shared_table, case):
    rows = shared_table("bxb_synthetic_annotations.csv")
    expected = next(r for r in shared_table("bxb_synthetic_expected.csv") if r["case"] == case)

    result = compare_ec57(
        _synthetic(rows, case, "ref"),
        _synthetic(rows, case, "test"),
        fs_hz=MITDB_HZ,
        end_s=int(expected["n_samples"]) / MITDB_HZ,
    )

    cells = {
        row + column: result.counts[i, j]
        for i, row in enumerate(REFERENCE_CLASSES)
        for j, column in enumerate(ESTIMATE_CLASSES)
    }
    printed = {cell: int(expected[cell]) for cell in cells if cell in expected}
    assert {cell: count for cell, count in cells.items() if cell in printed} == printed
    assert sum(cells.values()) == sum(printed.values())
    assert 1e3 * result.rr_error_rms_s == pytest.approx(float(expected["rms_rr_ms"]), abs=0.005)
    assert np.floor(result.shutdown_s + 0.5) == int(expected["shutdown_s"])
    statistics = result.statistics
    for column, ratio in {
        "Q_Se": statistics.qrs_sensitivity,
        "Q_PPV": statistics.qrs_positive_predictivity,
        "V_Se": statistics.veb_sensitivity,
        "V_PPV": statistics.veb_positive_predictivity,
        "S_Se": statistics.sveb_sensitivity,
        "S_PPV": statistics.sveb_positive_predictivity,
    }.items():
        assert ratio.percent == pytest.approx(float(expected[column]), abs=0.005)
        assert ratio.numerator == int(expected[f"{column}_num"])
        assert ratio.denominator == int(expected[f"{column}_den"])


@pytest.mark.parametrize("record", ["100", "108", "203", "207", "208", "222"])
def test_ec57_real_detector_on_mitdb(data_dir, shared_table, record):
    wfdb = pytest.importorskip("wfdb", reason="reads the annotation files of the database")
    path = data_dir / "datasets" / "mitdb" / record
    if not path.with_suffix(".atr").exists():
        pytest.skip(f"record {record} is not among the recordings below PALPATE_DATA")
    read = wfdb.rdann(str(path), "atr")
    reference = Annotations(
        read.sample / MITDB_HZ, np.array(read.symbol), np.array(read.subtype, dtype=np.intp)
    )
    detected = [
        int(row["sample"])
        for row in shared_table("gqrs_annotations_6records.csv")
        if row["record"] == record
    ]
    expected = next(r for r in shared_table("bxb_mitdb_gqrs.csv") if r["record"] == record)

    result = compare_ec57(
        reference,
        _beats(detected, MITDB_HZ),
        fs_hz=MITDB_HZ,
        end_s=MITDB_SAMPLES / MITDB_HZ,
    )

    found, missed = result.counts[:, :5].sum(axis=1), result.counts[:, 5:].sum(axis=1)
    classes = {"N": [0], "S": [1], "V": [2], "F": [3, 4], "O": [5, 6]}
    for name, rows in classes.items():
        assert found[rows].sum() == int(expected[f"{name}n'"])
        if name != "O":
            assert missed[rows].sum() == int(expected[f"{name}o'"])
    assert 1e3 * result.rr_error_rms_s == pytest.approx(float(expected["RR_err_ms"]), abs=0.005)


def test_ec57_shutdown_marked_once_reaches_from_the_last_beat_to_the_next():
    # The AHA database marks a shutdown once, in its middle; a detection inside is an X.
    samples = np.array([100, 400, 700, 1500, 2200, 2500])
    symbols = np.array(["N", "N", "N", "~", "N", "N"])
    subtypes = np.array([0, 0, 0, -1, 0, 0])
    reference = Annotations(samples / 250.0, symbols, subtypes)
    estimate = _beats([100, 400, 700, 738, 1000, 2000, 2170, 2200, 2500], 250)
    result = compare_ec57(reference, estimate, fs_hz=250, learning_s=0)
    # 700 + 38 to 2200 - 38 is shut down: 738, 1000 and 2000 lie inside, 2170 does not.
    assert result.counts[REFERENCE_CLASSES.index("X"), 0] == 3
    assert result.counts[REFERENCE_CLASSES.index("O"), 0] == 1


def test_ec57_detections_in_reference_fibrillation_do_not_count():
    symbols = np.array(["N", "N", "[", "!", "!", "]", "N", "N"])
    reference = Annotations(np.arange(1.0, 9.0), symbols, np.zeros(8, dtype=np.intp))
    estimate = np.arange(1.0, 9.0, 0.5)
    result = compare_ec57(reference, estimate, fs_hz=360, learning_s=0)
    # 1.5, 2.5, 6.5, 7.5 are extra; 3.0 to 6.0 are exempt; 8.5 is past the last beat.
    assert _tp_fn_fp(result) == (4, 0, 4)


def test_ec57_fibrillation_without_an_end_lasts_to_the_end():
    reference = Annotations(
        np.array([1.0, 2.0, 3.0]), np.array(["N", "N", "["]), np.zeros(3, dtype=np.intp)
    )
    result = compare_ec57(reference, np.arange(1.0, 30.0), fs_hz=100, learning_s=0, end_s=30)
    assert _tp_fn_fp(result) == (2, 0, 0)


def test_ec57_unmatched_times_are_reported():
    result = compare_ec57(
        Annotations.of_beats([1.0, 2.0, 3.0]), [1.01, 2.5, 3.0], fs_hz=100, learning_s=0, end_s=4
    )
    np.testing.assert_allclose(result.reference_s, [1, 2, np.nan, 3])
    np.testing.assert_allclose(result.estimate_s, [1.01, np.nan, 2.5, 3])
    assert "".join(result.reference_class) == "NNON"
    assert "".join(result.estimate_class) == "nonn"
    np.testing.assert_allclose(result.timing_error_s, [0.01, 0.0], atol=1e-12)


_SAMPLES = st.lists(st.integers(1, 6000), max_size=40, unique=True).map(sorted)


@given(_SAMPLES, _SAMPLES)
def test_every_scored_beat_is_counted_once(reference, estimate):
    result = compare_ec57(
        _beats(reference, 250), _beats(estimate, 250), fs_hz=250, learning_s=0, end_s=24
    )
    tp, fn, fp = _tp_fn_fp(result)
    assert (tp + fn, tp + fp) == (len(reference), len(estimate))
    assert np.all(np.abs(result.timing_error_s) <= 38 / 250 + 1e-12)


@given(_SAMPLES)
def test_a_perfect_detector_is_perfect(reference):
    beats = _beats(reference, 250)
    result = compare_ec57(beats, beats, fs_hz=250, learning_s=0, end_s=24)
    assert _tp_fn_fp(result) == (len(reference), 0, 0)
    if result.n_rr:
        assert result.rr_error_rms_s == 0.0


def test_nothing_detected_misses_everything_and_has_no_rr_error():
    result = compare_ec57(Annotations.of_beats([1.0, 2.0]), [], fs_hz=100, learning_s=0)
    assert _tp_fn_fp(result) == (0, 2, 0)
    assert np.isnan(result.rr_error_rms_s)
    assert np.isnan(result.statistics.qrs_positive_predictivity.percent)


def test_beat_classes_follow_the_aami_table():
    by_class = {name: {s for s, c in BEAT_CLASS.items() if c == name} for name in "NSVFQ"}
    assert by_class == {
        "N": set("NLRB"),
        "S": set("AaJSejn"),
        "V": set("VrE"),
        "F": {"F"},
        "Q": set("Q/f?"),
    }


@pytest.mark.parametrize(
    ("changed", "hint"),
    [
        ({"end_s": 10.0}, "shorter learning period"),
        ({"window_s": 0.0}, "window_s"),
        ({"fs_hz": 0.0}, "fs_hz"),
    ],
)
def test_bad_input_is_explained(changed, hint):
    with pytest.raises(InputError, match=hint):
        compare_ec57(Annotations.of_beats([1.0]), [1.0], **{"fs_hz": 360.0, **changed})


def test_annotations_need_a_symbol_per_time():
    with pytest.raises(InputError, match="one symbol and one subtype"):
        Annotations(np.array([1.0, 2.0]), np.array(["N"]), np.zeros(2, dtype=np.intp))


def test_ec57_class_counts_of_the_mitdb_records(data_dir, shared_table):
    # Counts that were derived from hash-checked annotation files by bxb's class map.
    annotations = pytest.importorskip(
        "palpate.io.wfdb_annotations", reason="reads the annotation files of the database"
    )
    expected = {row["record"]: row for row in shared_table("mitdb_aami_class_counts.csv")}
    folder = data_dir / "datasets" / "mitdb"
    records = annotations.annotated_records(folder)
    assert len(records) >= 20
    for record in records:
        columns = annotations.read_annotations(folder / record, annotator="atr", fs_hz=MITDB_HZ)
        classes = np.array([BEAT_CLASS.get(symbol, "-") for symbol in columns.symbol])
        scored = columns.time_s >= 300.0
        for name in "NSVFQ":
            mine = classes == name
            assert mine.sum() == int(expected[record][f"full_{name}"]), record
            assert (mine & scored).sum() == int(expected[record][f"test_{name}"]), record
