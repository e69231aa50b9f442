from __future__ import annotations

import numpy as np
import pytest

from palpate.ecg import detect_qrs
from palpate.named_detectors import detections, find_detector
from palpate.validation import InputError

FS_HZ = 250.0


@pytest.fixture
def ecg():
    time_s = np.arange(round(30 * FS_HZ)) / FS_HZ
    beats_s = np.arange(0.5, 29.6, 0.8)
    return np.exp(-0.5 * ((time_s[:, np.newaxis] - beats_s) / 0.012) ** 2).sum(axis=1)


@pytest.fixture
def strange_module(tmp_path, monkeypatch):
    (tmp_path / "strange_detectors.py").write_text(
        "import numpy as np\n"
        "def by_position(ecg, rate):\n"
        "    return [int(rate), 2 * int(rate)]\n"
        "def by_keyword(ecg, *, fs_hz):\n"
        "    return np.array([3.5 * fs_hz, fs_hz])\n"
        "def outside(ecg, fs_hz):\n"
        "    return [len(ecg)]\n"
        "def pairs(ecg, fs_hz):\n"
        "    return [[1, 2]]\n"
        "class Holder:\n"
        "    inside = staticmethod(by_position)\n"
        "number = 3\n"
        "BEATS = np.arange(0.5, 29.6, 0.8)\n"
        "def seconds(ecg, fs_hz):\n"
        "    return BEATS\n"
        "def mask(ecg, fs_hz):\n"
        "    return np.isin(np.arange(len(ecg)), np.round(BEATS * fs_hz))\n"
        "def zeros_and_ones(ecg, fs_hz):\n"
        "    return mask(ecg, fs_hz).astype(int)\n"
        "def nothing(ecg, fs_hz):\n"
        "    return None\n"
        "def early(ecg, fs_hz):\n"
        "    return [3, 17.5]\n"
        "def vandal(ecg, fs_hz):\n"
        "    ecg[:] = 0.0\n"
        "    return []\n"
    )
    (tmp_path / "broken_detectors.py").write_text("detect = 1 / 0\n")
    (tmp_path / "leaving_module.py").write_text("raise SystemExit(2)\n")
    monkeypatch.chdir(tmp_path)


def test_own_detector_by_name_and_by_method(ecg):
    expected = detect_qrs(ecg, fs_hz=FS_HZ)
    for name in ("palpate", "slope"):
        np.testing.assert_array_equal(detections(find_detector(name), ecg, FS_HZ), expected)


def test_an_unknown_name_lists_the_known_ones():
    with pytest.raises(InputError, match="no detector 'slpoe'; there are palpate, slope"):
        find_detector("slpoe")


@pytest.mark.usefixtures("strange_module")
@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("strange_detectors:by_position", [250, 500]),
        ("strange_detectors:by_keyword", [250, 875]),
        ("strange_detectors:Holder.inside", [250, 500]),
    ],
)
def test_a_function_of_the_current_folder(ecg, name, expected):
    assert detections(find_detector(name), ecg, FS_HZ).tolist() == expected


@pytest.mark.usefixtures("strange_module")
@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("strange_detectors:absent", "no detector 'strange_detectors:absent'"),
        ("absent_module:function", "no detector"),
        ("strange_detectors:number", "not a function"),
        (":", "no detector"),
        ("..:x", "no detector '..:x'"),
        ("broken_detectors:detect", "no detector .* name it as module:function"),
        ("leaving_module:detect", "no detector .* name it as module:function"),
    ],
)
def test_a_function_that_is_not_there_is_explained(name, hint):
    with pytest.raises(InputError, match=hint):
        find_detector(name)


@pytest.mark.usefixtures("strange_module")
@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("outside", "outside the record"),
        ("pairs", r"shape \(1, 2\)"),
        ("seconds", "up to 29.3 in a record of 30 s, which look like seconds; .* sample numbers"),
        ("mask", "returned a mask; it must return sample numbers"),
        ("zeros_and_ones", "returned a mask; it must return sample numbers"),
        ("nothing", "what the detector returned holds object values"),
    ],
)
def test_what_cannot_be_sample_positions_is_refused(ecg, name, hint):
    with pytest.raises(InputError, match=hint):
        detections(find_detector(f"strange_detectors:{name}"), ecg, FS_HZ)


@pytest.mark.usefixtures("strange_module")
def test_one_fraction_early_in_the_record_may_be_a_sample(ecg):
    detector = find_detector("strange_detectors:early")
    with pytest.raises(InputError, match="look like seconds"):
        detections(detector, ecg, FS_HZ)
    assert detections(detector, ecg, 10_000.0).tolist() == [3, 17.5]  # 0.75 s


@pytest.mark.usefixtures("strange_module")
def test_a_detector_that_changes_its_input_changes_a_copy(ecg):
    before = ecg.copy()
    assert detections(find_detector("strange_detectors:vandal"), ecg, FS_HZ).size == 0
    np.testing.assert_array_equal(ecg, before)


def test_a_function_without_a_signature_is_called_by_position(ecg):
    found = detections(find_detector("numpy:maximum"), np.zeros(30), 4.0)
    np.testing.assert_array_equal(found, np.full(30, 4.0))


def test_neurokit_by_name(ecg):
    pytest.importorskip("neurokit2", reason="a second opinion, not needed for the core")
    expected = np.arange(0.5, 29.6, 0.8) * FS_HZ
    found = detections(find_detector("neurokit:pantompkins1985"), ecg, FS_HZ)
    assert found.size == pytest.approx(expected.size, abs=2)


def test_neurokit_takes_a_single_lead(ecg):
    pytest.importorskip("neurokit2", reason="a second opinion, not needed for the core")
    with pytest.raises(InputError, match="single lead"):
        detections(find_detector("neurokit:neurokit"), np.column_stack([ecg, ecg]), FS_HZ)


def test_a_name_that_neurokit2_does_not_know_is_refused_at_once():
    pytest.importorskip("neurokit2", reason="a second opinion")
    with pytest.raises(InputError, match="no detector 'neurokit:nope'"):
        find_detector("neurokit:nope")
