import errno
import os
from pathlib import Path

import pytest

from palpate.io.atomic import PatientFile, explain_os_error, replacing


def write_half(path, error):
    with replacing(path) as part:
        part.write_text("half")
        if error:
            raise error


def test_the_new_file_appears_whole_and_alone(tmp_path):
    target = tmp_path / "new" / "a.txt"
    with replacing(target) as part:
        part.write_text("one")
        assert not target.exists()
        assert part.parent == target.parent
    assert target.read_text() == "one"
    assert [p.name for p in target.parent.iterdir()] == ["a.txt"]


def test_an_error_leaves_the_old_file_and_nothing_else(tmp_path):
    target = tmp_path / "a.txt"
    target.write_text("old")
    with pytest.raises(ZeroDivisionError):
        write_half(target, ZeroDivisionError())
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_a_full_disk_is_told_by_the_final_name(tmp_path):
    target = tmp_path / "a.txt"
    with pytest.raises(OSError, match="No space left") as caught:
        write_half(target, OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "a name in between"))
    assert explain_os_error(caught.value) == (
        f"{target} cannot be read or written: the disk is full; free some space and run again"
    )
    assert list(tmp_path.iterdir()) == []


def test_a_folder_below_a_file_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OSError, match=r"Not a directory|exists") as caught:
        write_half(tmp_path / "file" / "a.txt", None)
    assert str(tmp_path / "file") in explain_os_error(caught.value)


def test_a_folder_is_not_replaced(tmp_path):
    with pytest.raises(IsADirectoryError) as caught:
        write_half(tmp_path, None)
    assert "it is a folder; name a file" in explain_os_error(caught.value)


def test_an_unknown_error_keeps_its_words():
    assert explain_os_error(OSError("strange")) == "a file cannot be read or written: strange"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no full device")
def test_a_patient_file_keeps_the_first_error_for_the_end():
    file = PatientFile(Path("/dev/full"), "r+")
    assert file.write(b"abc") == 3
    assert file.truncate(10) == 10
    buffer = bytearray(b"xyz")
    assert file.readinto(buffer) == 3
    assert buffer == bytes(3)
    with pytest.raises(OSError, match="No space left"):
        file.finish()


def test_a_patient_file_is_a_file(tmp_path):
    file = PatientFile(tmp_path / "a.bin", "w+")
    assert file.write(memoryview(b"abcdef")) == 6
    file.seek(2)
    buffer = bytearray(3)
    assert (file.readinto(buffer), bytes(buffer), file.tell()) == (3, b"cde", 5)
    file.truncate(4)
    file.finish()
    assert (tmp_path / "a.bin").read_bytes() == b"abcd"
