"""Bad input at the edge: one sentence that names the file, never another exception."""

import errno
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import io as scipy_io

from palpate.io import describe, open_session, sheet, write_store
from palpate.io.readers import open_raw
from palpate.io.sheet import SourceSpec
from palpate.signals import Session
from palpate.validation import InputError


def one_sentence(error: BaseException, path: Path) -> None:
    text = str(error)
    assert path.name in text or path.stem in text
    assert "\n" not in text
    assert len(text) < 600


def read_all(path: Path, **source: object) -> None:
    """Open a file and read every channel."""
    raw = open_raw(SourceSpec(path, **source))  # type: ignore[arg-type]
    for at in raw.signals:
        raw.read([[at]])


@pytest.mark.parametrize(
    "name", ["a.edf", "a.bdf", "a.hea", "a.dat", "a", "a.csv", "a.mat", "a.h5", "a.toml"]
)
def test_missing_file(tmp_path, name):
    with pytest.raises(InputError, match="does not exist; check the path"):
        describe(tmp_path / name)


@pytest.mark.parametrize("name", ["a.docx", "a.xlsx", "a.json", "a.pdf"])
def test_wrong_extension(tmp_path, name):
    (tmp_path / name).write_bytes(b"x")
    with pytest.raises(InputError, match=r"has the extension .*; palpate reads \.edf"):
        describe(tmp_path / name)


def test_a_sheet_in_place_of_a_recording(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text("schema = 1")
    with pytest.raises(InputError, match="is a sheet already; name the recordings' files"):
        open_raw(SourceSpec(path))


@pytest.mark.parametrize("name", ["a.edf", "a.hea", "a.csv", "a.mat", "a.h5"])
def test_folder_and_empty_file_in_place_of_a_recording(tmp_path, name):
    (tmp_path / name).mkdir()
    with pytest.raises(InputError, match="is not a file"):
        describe(tmp_path / name)
    (tmp_path / f"b{name}").write_bytes(b"")
    with pytest.raises(InputError, match="is empty"):
        describe(tmp_path / f"b{name}")


@pytest.mark.parametrize("name", ["a.edf", "a.hea", "a.csv", "a.mat", "a.h5"])
def test_content_of_another_format(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + bytes(range(256)) * 4)
    with pytest.raises(InputError) as caught:
        describe(path)
    one_sentence(caught.value, path)


def cut(path: Path, share: float) -> None:
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * share)])


@pytest.mark.parametrize("share", [0.05, 0.5, 0.95])
def test_truncated_edf(edf_file, share):
    cut(edf_file, share)
    with pytest.raises(InputError) as caught:
        read_all(edf_file)
    one_sentence(caught.value, edf_file)


@pytest.mark.parametrize("share", [0.05, 0.5, 0.999])
def test_truncated_wfdb_signal(wfdb_file, share):
    cut(wfdb_file.with_suffix(".dat"), share)
    with pytest.raises(InputError, match=r"hut.dat is cut short: its header promises 4000 bytes"):
        read_all(wfdb_file)


def test_missing_wfdb_signal(wfdb_file):
    wfdb_file.with_suffix(".dat").unlink()
    with pytest.raises(
        InputError, match=r"hut.hea names the signal file hut.dat, which is not beside it"
    ):
        read_all(wfdb_file)


@pytest.mark.parametrize("share", [0.05, 0.5, 0.95])
def test_truncated_mat(mat_file, share):
    cut(mat_file, share)
    with pytest.raises(InputError) as caught:
        read_all(mat_file)
    one_sentence(caught.value, mat_file)


@pytest.mark.parametrize("share", [0.05, 0.5, 0.95])
def test_truncated_hdf5(session, tmp_path, share):
    path = write_store(session, tmp_path / "s.h5")
    cut(path, share)
    with pytest.raises(InputError) as caught:
        open_session(path)
    one_sentence(caught.value, path)


def test_truncated_text(csv_file):
    csv_file.write_bytes(csv_file.read_bytes()[:-12])
    with pytest.raises(InputError, match="fields and the header has 4; is it cut short"):
        read_all(csv_file)


def layout(write_sheet, *lines, role="ppg"):
    return write_sheet(
        "[[recording]]", 'name = "x"', 'file = "{file}"', *lines,
        "[[recording.channel]]", f'role = "{role}"', "select = [0]", name="layout.toml",
    )  # fmt: skip


def test_zero_length_channel(tmp_path, write_sheet):
    path = tmp_path / "none.mat"
    scipy_io.savemat(path, {"sig": np.zeros((2, 0))})
    own = layout(write_sheet, "rate_hz = 50", 'orientation = "rows"')
    with pytest.raises(InputError, match="holds no samples; export the file again"):
        open_session(path, own)


def test_all_nan_channel(tmp_path, write_sheet):
    path = tmp_path / "nan.mat"
    scipy_io.savemat(path, {"sig": np.full((1, 50), np.nan)})
    with pytest.raises(InputError, match=r"holds no finite sample in 'sig\[0\]'"):
        open_session(path, layout(write_sheet, "rate_hz = 50"))


@pytest.mark.parametrize("rate", ["-50", "0", "1e9", "inf"])
def test_negative_or_absurd_rate_in_a_sheet(mat_file, write_sheet, rate):
    with pytest.raises(InputError, match="rate_hz is"):
        open_session(mat_file, layout(write_sheet, f"rate_hz = {rate}"))


def test_no_rate_at_all(mat_file, write_sheet):
    with pytest.raises(InputError, match="has no rate; add rate_hz"):
        open_session(mat_file, layout(write_sheet))
    with pytest.raises(InputError, match="has no rate; add rate_hz"):
        open_session(mat_file, layout(write_sheet, role="heart_rate"))


@pytest.mark.parametrize("rate", ["-250", "0", "1e12"])
def test_negative_or_absurd_rate_in_a_wfdb_header(wfdb_file, rate):
    wfdb_file.write_text(wfdb_file.read_text().replace(" 250 ", f" {rate} "))
    with pytest.raises(InputError) as caught:
        read_all(wfdb_file)
    one_sentence(caught.value, wfdb_file)


@pytest.mark.parametrize("duration", ["-1", "0", "1e-9"])
def test_negative_or_absurd_rate_in_an_edf_header(edf_file, duration):
    content = edf_file.read_bytes()
    edf_file.write_bytes(content[:244] + duration.encode().ljust(8) + content[252:])
    with pytest.raises(InputError) as caught:
        read_all(edf_file)
    one_sentence(caught.value, edf_file)


def test_a_read_that_the_system_refuses(csv_file, monkeypatch):
    def refuse(*_args, **_kwargs):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(csv_file))

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(InputError, match="may not be read; change its permissions"):
        read_all(csv_file)


def test_out_of_memory_is_told(mat_file, monkeypatch):
    def give_up(*_args, **_kwargs):
        raise MemoryError

    monkeypatch.setattr(scipy_io, "loadmat", give_up)
    with pytest.raises(InputError, match="does not fit in memory, or is damaged"):
        read_all(mat_file)


FUZZ = settings(
    max_examples=60,
    deadline=None,
    derandomize=True,  # the same damage everywhere: a suite must not fail on one machine only
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
damage = st.tuples(
    st.floats(0.0, 1.0),  # what is kept
    st.lists(st.tuples(st.floats(0.0, 1.0), st.integers(0, 255)), max_size=12),  # bytes changed
)


def damaged(content: bytes, how: tuple[float, list[tuple[float, int]]]) -> bytes:
    kept, changes = how
    spoilt = bytearray(content[: max(1, int(len(content) * kept))] if kept < 0.9 else content)
    for place, value in changes:
        spoilt[min(int(place**3 * len(spoilt)), len(spoilt) - 1)] = value  # headers come first
    return bytes(spoilt)


def survives(path: Path, **source: object) -> None:
    """Read, or fail with one sentence that names the file."""
    try:
        read_all(path, **source)
    except InputError as error:
        one_sentence(error, path)


@FUZZ
@given(how=damage)
def test_damaged_edf_is_read_or_explained(edf_file, how):
    path = edf_file.with_name("fuzz.edf")
    path.write_bytes(damaged(edf_file.read_bytes(), how))
    survives(path)


@FUZZ
@given(how=damage)
def test_damaged_wfdb_header_is_read_or_explained(wfdb_file, how):
    path = wfdb_file.with_name("fuzz.hea")
    path.write_bytes(damaged(wfdb_file.read_bytes(), how))
    survives(path)


@FUZZ
@given(how=damage)
def test_damaged_mat_is_read_or_explained(mat_file, how):
    path = mat_file.with_name("fuzz.mat")
    path.write_bytes(damaged(mat_file.read_bytes(), how))
    survives(path)


@FUZZ
@given(how=damage)
def test_damaged_text_is_read_or_explained(csv_file, how):
    path = csv_file.with_name("fuzz.csv")
    path.write_bytes(damaged(csv_file.read_bytes(), how))
    survives(path)


@FUZZ
@given(how=damage)
def test_damaged_store_is_read_or_explained(session, tmp_path, how):
    whole = tmp_path / "s.h5"
    if not whole.exists():
        write_store(session, whole)
    path = tmp_path / "fuzz.h5"
    path.write_bytes(damaged(whole.read_bytes(), how))
    try:
        assert isinstance(open_session(path), Session)
    except InputError as error:
        one_sentence(error, path)


@FUZZ
@given(how=damage)
def test_damaged_sheet_is_read_or_explained(tmp_path, how):
    guide = Path(sheet.__file__).parents[1] / "guide" / "session_sheet.md"
    example = guide.read_text(encoding="utf-8").split("```toml\n")[1].split("```")[0]
    path = tmp_path / "fuzz.toml"
    path.write_bytes(damaged(example.encode(), how))
    try:
        sheet.read_sheet(path)
    except InputError as error:
        one_sentence(error, path)
