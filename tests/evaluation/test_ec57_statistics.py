from __future__ import annotations

import numpy as np
import pytest

from palpate.evaluation import (
    average_statistics,
    beat_statistics,
    class_sensitivity,
    gross_intervals,
    gross_statistics,
)
from palpate.validation import InputError

# Which cell of the matrix a condensed count of the published table stands for. The table
# pools n, s, f, q and likewise N with S, F with Q, O with X, o with x.
CONDENSED = {
    "Nn": (0, 0),
    "Vn": (2, 0),
    "Fn": (3, 0),
    "On": (5, 0),
    "Nv": (0, 2),
    "Vv": (2, 2),
    "Fv": (3, 2),
    "Ov": (5, 2),
    "No": (0, 5),
    "Vo": (2, 5),
    "Fo": (3, 5),
}
PRINTED = {
    "Q_Se": "qrs_sensitivity",
    "Q_PPV": "qrs_positive_predictivity",
    "V_Se": "veb_sensitivity",
    "V_PPV": "veb_positive_predictivity",
    "V_FPR": "veb_false_positive_rate",
}


def _matrix(row):
    counts = np.zeros((7, 7), dtype=np.intp)
    for name, cell in CONDENSED.items():
        counts[cell] = int(row[name])
    return counts


def _rounding(printed):
    return 0.5 * 10.0 ** -len(printed.partition(".")[2]) + 1e-9


@pytest.fixture
def four_records(published_table):
    # checkpkg/input/sumstats and checkpkg/expected/sumstats.out of the WFDB software.
    return {row["record"]: row for row in published_table("wfdb_sumstats_example.csv")}


@pytest.mark.parametrize("record", ["200", "201", "202", "203"])
def test_ec57_per_record_statistics_published_example(four_records, record):
    row = four_records[record]
    statistics = beat_statistics(_matrix(row))
    for column, name in PRINTED.items():
        assert getattr(statistics, name).percent == pytest.approx(
            float(row[column]), abs=_rounding(row[column])
        )


def test_ec57_gross_statistics_published_example(four_records):
    matrices = [_matrix(four_records[record]) for record in ("200", "201", "202", "203")]
    np.testing.assert_array_equal(np.sum(matrices, axis=0), _matrix(four_records["Sum"]))
    gross = gross_statistics(matrices)
    for column, name in PRINTED.items():
        printed = four_records["Gross"][column]
        assert getattr(gross, name).percent == pytest.approx(float(printed), abs=_rounding(printed))
    assert (gross.veb_false_positive_rate.numerator, gross.veb_false_positive_rate.denominator) == (
        133,
        6737,
    )


def test_ec57_average_statistics_published_example(four_records):
    average = average_statistics(
        [_matrix(four_records[record]) for record in ("200", "201", "202", "203")]
    )
    for column, name in PRINTED.items():
        printed = four_records["Average"][column]
        assert average[name] == pytest.approx(float(printed), abs=_rounding(printed))


def test_ec57_average_leaves_out_records_without_a_denominator():
    with_vebs, without = np.zeros((2, 7, 7), dtype=np.intp)
    with_vebs[2, 2], without[0, 0] = 8, 10
    with_vebs[2, 5] = 2
    average = average_statistics([with_vebs, without])
    assert average["veb_sensitivity"] == 80.0
    assert np.isnan(average["sveb_sensitivity"])


def test_ec57_fusion_and_unclassifiable_beats_are_neither_true_nor_false_vebs():
    counts = np.zeros((7, 7), dtype=np.intp)
    counts[2, 2], counts[3, 2], counts[4, 2] = 5, 3, 4
    statistics = beat_statistics(counts)
    assert statistics.veb_positive_predictivity.percent == 100.0
    counts[0, 2] = 5
    assert beat_statistics(counts).veb_positive_predictivity.percent == 50.0


def test_ec57_unclassifiable_beats_are_neither_true_nor_false_svebs():
    counts = np.zeros((7, 7), dtype=np.intp)
    counts[1, 1], counts[4, 1] = 5, 4
    assert beat_statistics(counts).sveb_positive_predictivity.percent == 100.0
    counts[3, 1] = 5
    assert beat_statistics(counts).sveb_positive_predictivity.percent == 50.0


def test_sensitivity_per_class_does_not_ask_what_the_beat_was_called():
    counts = np.zeros((7, 7), dtype=np.intp)
    counts[2, 0], counts[2, 2], counts[2, 5], counts[2, 6] = 3, 4, 2, 1
    assert class_sensitivity(counts)["V"].percent == 70.0
    assert np.isnan(class_sensitivity(counts)["S"].percent)


def test_no_records_give_undefined_statistics():
    assert np.isnan(gross_statistics([]).qrs_sensitivity.percent)
    assert np.isnan(average_statistics([])["qrs_sensitivity"])


def test_a_matrix_of_another_shape_is_refused():
    with pytest.raises(InputError, match="7 reference by 7 test classes"):
        beat_statistics(np.zeros((5, 5), dtype=np.intp))


def test_gross_interval_draws_whole_records():
    # Twenty records of 1000 beats whose sensitivity differs: the spread between records,
    # not that of single beats, must set the interval.
    rng = np.random.default_rng(4)
    matrices = np.zeros((20, 7, 7), dtype=np.intp)
    missed = rng.integers(0, 200, 20)
    matrices[:, 0, 0], matrices[:, 0, 5] = 1000 - missed, missed
    low, high = gross_intervals(matrices)["qrs_sensitivity"]
    mean = 100 * (1 - missed.mean() / 1000)
    standard_error = 100 * missed.std(ddof=1) / 1000 / np.sqrt(20)
    assert low < mean < high
    assert high - low == pytest.approx(2 * 2.093 * standard_error, rel=0.1)  # t of 19


def test_gross_interval_needs_five_records_and_a_denominator():
    matrices = np.zeros((6, 7, 7), dtype=np.intp)
    matrices[:, 0, 0] = 10
    intervals = gross_intervals(matrices)
    assert intervals["qrs_sensitivity"] == (100.0, 100.0)
    assert np.isnan(intervals["sveb_sensitivity"]).all()
    assert np.isnan(gross_intervals(matrices[:4])["qrs_sensitivity"]).all()
