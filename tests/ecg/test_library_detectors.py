"""neurokit2's detectors by name."""

from __future__ import annotations

import subprocess
import sys
import warnings
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from palpate.ecg import detect_qrs
from palpate.ecg.library_detectors import CLEANED, LIBRARY_METHODS
from palpate.validation import InputError

Floats = NDArray[np.float64]
FS_HZ = 250.0


@pytest.fixture(scope="module")
def beat_s(steady_beats: Callable[..., Floats]) -> Floats:
    return steady_beats(0.9, 40.0)


@pytest.mark.parametrize("name", ["neurokit", "kalidas2017"])
def test_the_library_finds_the_same_beats(
    name: str, beat_s: Floats, drawn_ecg: Callable[..., Floats]
) -> None:
    pytest.importorskip("neurokit2", reason="the detector itself")
    ecg = drawn_ecg(beat_s, 40.0, fs_hz=FS_HZ)
    theirs = detect_qrs(ecg, fs_hz=FS_HZ, method=f"neurokit:{name}") / FS_HZ
    ours = detect_qrs(ecg, fs_hz=FS_HZ) / FS_HZ
    nearest = np.min(np.abs(theirs[:, np.newaxis] - ours), axis=0)
    assert np.mean(nearest < 0.05) > 0.9
    assert theirs.size <= ours.size + 1


def test_a_method_it_does_not_know_is_one_sentence() -> None:
    with pytest.raises(InputError, match=r"no detector 'neurokit:nonesuch'; .*, zong2003"):
        detect_qrs(np.sin(np.arange(2500.0)), fs_hz=FS_HZ, method="neurokit:nonesuch")


def test_the_library_knows_every_name_and_cleaning_that_is_offered(
    beat_s: Floats, drawn_ecg: Callable[..., Floats]
) -> None:
    neurokit2 = pytest.importorskip("neurokit2", reason="knows its own names")
    ecg = drawn_ecg(beat_s, 40.0, fs_hz=FS_HZ)
    for name in LIBRARY_METHODS:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                neurokit2.ecg_clean(ecg, sampling_rate=FS_HZ, method=name)
            cleans = True
        except ValueError:
            cleans = False
        assert cleans == (name in CLEANED), name
        said = ""
        try:
            detect_qrs(ecg, fs_hz=FS_HZ, method=f"neurokit:{name}")
        except InputError as fault:  # it may need another library
            said = str(fault)
        assert "not implemented" not in said


def test_a_fault_in_cleaning_is_not_taken_for_a_method_without(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    neurokit2 = pytest.importorskip("neurokit2", reason="cleans")

    def refuse(*_: object, **__: object) -> None:
        raise ValueError("too short to clean")

    monkeypatch.setattr(neurokit2, "ecg_clean", refuse)
    with pytest.raises(InputError, match=r"cannot read this ECG \(too short to clean"):
        detect_qrs(np.sin(np.arange(2500.0)), fs_hz=FS_HZ, method="neurokit:neurokit")


def test_the_library_cannot_change_the_callers_ecg(monkeypatch: pytest.MonkeyPatch) -> None:
    neurokit2 = pytest.importorskip("neurokit2", reason="is replaced here")

    def spoil(ecg: Floats, **_: object) -> Floats:
        ecg[:] = 0.0
        raise ValueError("spoilt")

    monkeypatch.setattr(neurokit2, "ecg_clean", spoil)
    ecg = np.sin(np.arange(2500.0))
    with pytest.raises(InputError, match="spoilt"):
        detect_qrs(ecg, fs_hz=FS_HZ, method="neurokit:neurokit")
    np.testing.assert_array_equal(ecg, np.sin(np.arange(2500.0)))


def test_several_leads_are_refused() -> None:
    with pytest.raises(InputError, match="single lead"):
        detect_qrs(np.zeros((2500, 2)), fs_hz=FS_HZ, method="neurokit:neurokit")


def test_the_library_is_not_imported_before_it_is_asked_for() -> None:
    code = "import sys, palpate.ecg; sys.exit('neurokit2' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
