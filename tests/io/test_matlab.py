import numpy as np
import pytest
from scipy import io as scipy_io

from palpate.io.matlab import matrix_names, open_matlab
from palpate.io.sheet import SourceSpec
from palpate.validation import InputError


def test_rows_of_a_wide_matrix_are_channels(mat_file):
    raw = open_matlab(mat_file, SourceSpec(mat_file, rate_hz=125.0))
    assert [c.name for c in raw.channels] == [f"sig[{i}]" for i in range(6)]
    one, three = raw.read([[0], [5, 4, 3]])
    assert one.fs_hz == 125.0
    np.testing.assert_allclose(one.values[:, 0], np.arange(500) / 1000)
    np.testing.assert_allclose(three.values[7], [5.007, 4.007, 3.007])


def test_orientation_overrules_the_shape(mat_file):
    raw = open_matlab(mat_file, SourceSpec(mat_file, orientation="columns"))
    assert len(raw.channels) == 500
    assert raw.read([[1]])[0].values.shape == (6, 1)


def test_integers_become_floats_without_overflow(tmp_path):
    path = tmp_path / "i.mat"
    scipy_io.savemat(path, {"x": np.array([[0, 65535]], dtype=np.uint16).repeat(3, axis=1)})
    values = open_matlab(path, SourceSpec(path)).read([[0]])[0].values
    assert values.dtype == np.float64
    assert values.max() == 65535.0


def test_one_of_several_matrices_must_be_named(tmp_path):
    path = tmp_path / "two.mat"
    scipy_io.savemat(path, {"left": np.ones((2, 50)), "right": np.ones((2, 50)), "s": "text"})
    assert matrix_names(path) == ("left", "right")
    with pytest.raises(InputError, match="matrices left, right; say which"):
        open_matlab(path, SourceSpec(path))
    with pytest.raises(InputError, match="did you mean 'left'"):
        open_matlab(path, SourceSpec(path, variable="lefft"))
    assert open_matlab(path, SourceSpec(path, variable="right")).channels[0].name == "right[0]"


def test_objects_and_complex_numbers_are_no_signals(tmp_path):
    path = tmp_path / "o.mat"
    scipy_io.savemat(path, {"cell": np.array([[1, "a"]], dtype=object)})
    with pytest.raises(InputError, match="no numeric matrix"):
        open_matlab(path, SourceSpec(path))
    scipy_io.savemat(path, {"z": np.ones((2, 9)) * 1j})
    with pytest.raises(InputError, match="complex"):
        open_matlab(path, SourceSpec(path)).read([[0]])


def test_version_73_is_refused_with_advice(tmp_path):
    path = tmp_path / "new.mat"
    path.write_bytes(b"MATLAB 7.3 MAT-file, Platform: GLNXA64".ljust(512) + b"\x89HDF\r\n")
    with pytest.raises(InputError, match="-v7"):
        open_matlab(path, SourceSpec(path))


def test_every_shared_matrix_is_as_long_as_its_published_rate_trace(data_dir):
    """DATASETS: BPM0[i] covers [2i, 2i + 8) s, so a record of n windows lasts 2n + 6 s or more."""
    files = sorted((data_dir / "datasets" / "ieee_spc2015").glob("DATA_*_TYPE0?.mat"))
    assert files
    for file in files:
        raw = open_matlab(file, SourceSpec(file, rate_hz=125.0, variable="sig"))
        values = raw.read([range(6)])[0].values
        trace = file.with_name(f"{file.stem}_BPMtrace.mat")
        truth = open_matlab(trace, SourceSpec(trace, rate_hz=0.5)).read([[0]])[0].values
        windows = int((len(values) / 125 - 8) // 2) + 1
        assert abs(windows - len(truth)) <= 1
        gravity = np.linalg.norm(values[:, 3:], axis=1).mean()
        assert 0.8 < gravity < 1.6  # g: a runner's mean acceleration is near 1
