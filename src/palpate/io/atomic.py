"""Write files so that a reader sees the old one or the whole new one, never half of one."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer, WriteableBuffer

_SENTENCES = {
    errno.ENOSPC: "the disk is full; free some space and run again",
    errno.EDQUOT: "the disk quota is used up; free some space and run again",
    errno.EACCES: "permission is denied; choose another place or change its permissions",
    errno.EPERM: "that is not permitted; choose another place",
    errno.EROFS: "the disk is read-only; choose another place",
    errno.ENOENT: "it does not exist; check the path",
    errno.ENOTDIR: "a part of the path is a file, not a folder; check the path",
    errno.EISDIR: "it is a folder; name a file",
    errno.ENAMETOOLONG: "the name is too long; choose a shorter one",
}


@contextlib.contextmanager
def replacing(path: Path | str) -> Iterator[Path]:
    """Yield the name of a temporary file; what is there afterwards becomes ``path``.

    It lies beside ``path``, in a folder that is made if it is missing. On any error the
    temporary file is removed and ``path`` stays what it was.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    part = path.with_name(f".{path.name[:100]}.{secrets.token_hex(4)}.part")
    try:
        yield part
        part.replace(path)
    except BaseException as exc:
        part.unlink(missing_ok=True)
        if isinstance(exc, OSError):  # a person knows the file by its final name
            exc.filename = str(path)
        raise


class PatientFile(io.RawIOBase):
    """A binary file for libraries that crash when a write fails, as HDF5's does on closing.

    From the first error on it takes writes and drops them, and reads as zeros; ``finish``
    closes it and raises that error.
    """

    def __init__(self, path: Path, mode: str) -> None:
        self._file = io.FileIO(path, mode)
        self._error: OSError | None = None

    def seekable(self) -> bool:
        """Return True: any place can be written."""
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Move to a place, which may lie beyond the end."""
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        """Return the place."""
        return self._file.tell()

    def readinto(self, buffer: WriteableBuffer) -> int:
        """Fill ``buffer`` and return how much was read."""
        view = memoryview(buffer).cast("B")
        if self._error is not None:
            view[:] = bytes(len(view))
            return len(view)
        return self._file.readinto(view)

    def write(self, data: ReadableBuffer) -> int:
        """Write all of ``data`` and return its length."""
        view = memoryview(data).cast("B")
        done = 0
        try:
            while self._error is None and done < len(view):
                done += self._file.write(view[done:])
        except OSError as exc:
            self._error = exc
        return len(view)

    def truncate(self, size: int | None = None) -> int:
        """Set the length of the file."""
        try:
            if self._error is None:
                return self._file.truncate(size)
        except OSError as exc:
            self._error = exc
        return size or 0

    def finish(self) -> None:
        """Close the file and raise what went wrong on the way."""
        self._file.close()
        if self._error is not None:
            raise self._error


def explain_os_error(exc: OSError) -> str:
    """Return one sentence for an operating-system error: which file, what, what to do."""
    place = exc.filename if exc.filename is not None else "a file"
    fallback = (exc.strerror or str(exc) or type(exc).__name__).lower()
    return f"{place} cannot be read or written: {_SENTENCES.get(exc.errno or 0, fallback)}"
