"""neurokit2's detectors by name."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from palpate.ecg import detect_qrs
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
    pytest.importorskip("neurokit2", reason="says what it knows")
    with pytest.raises(InputError, match="'nonesuch' cannot read this ECG"):
        detect_qrs(np.sin(np.arange(2500.0)), fs_hz=FS_HZ, method="neurokit:nonesuch")


def test_several_leads_are_refused() -> None:
    with pytest.raises(InputError, match="single lead"):
        detect_qrs(np.zeros((2500, 2)), fs_hz=FS_HZ, method="neurokit:neurokit")


def test_the_library_is_not_imported_before_it_is_asked_for() -> None:
    code = "import sys, palpate.ecg; sys.exit('neurokit2' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
