"""Download open databases from the public archive that their owners keep them in.

Conventions
-----------
* Every file is checked by its SHA-256. The archive's own ``SHA256SUMS.txt`` names the
  files and their hashes. For the files that palpate was measured on, the hashes are also
  pinned here (``registry/*.txt``), and the archive must agree; for all others the
  archive's word, over an encrypted connection, is all there is.
* A file that is there and right is not downloaded again; a broken download goes on where
  it stopped, if the server can.
"""

from __future__ import annotations

import contextlib
import hashlib
import http.client
import shutil
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path, PurePosixPath

from palpate import __version__
from palpate.io.atomic import explain_os_error
from palpate.validation import InputError

SUMS = "SHA256SUMS.txt"
PARTIAL = ".partial"
_TIMEOUT_S = 30.0
_CHUNK = 1 << 16
_RESUMED, _NOT_THERE, _NOTHING_LEFT = 206, 404, 416


@dataclass(frozen=True, slots=True)
class Database:
    """An open database: where it is, on what terms, and which of its files count.

    ``address`` ends with a slash; ``suffixes`` are the endings of the wanted files.
    """

    name: str
    title: str
    address: str
    licence: str
    citation: str
    suffixes: tuple[str, ...] = (".hea", ".dat", ".atr")


DATABASES = {
    database.name: database
    for database in (
        Database(
            name="mitdb",
            title="MIT-BIH Arrhythmia Database: 48 half-hour ECG records, every beat annotated",
            address="https://physionet.org/files/mitdb/1.0.0/",
            licence="ODC-BY 1.0",
            citation="Moody & Mark 2001, IEEE Eng Med Biol Mag 20(3):45",
        ),
        Database(
            name="nstdb",
            title="MIT-BIH Noise Stress Test Database: 12 noisy ECG records, 3 of noise alone",
            address="https://physionet.org/files/nstdb/1.0.0/",
            licence="ODC-BY 1.0",
            citation="Moody, Muldrow & Mark 1984, Comput Cardiol 11:381",
        ),
        Database(
            name="wrist",
            title="Wrist PPG During Exercise: chest ECG, wrist PPG and motion of 8 people",
            address="https://physionet.org/files/wrist/1.0.0/",
            licence="ODC-BY 1.0",
            citation="Jarchi & Casson 2017, Data 2(1):1",
        ),
    )
}


def find_database(name: str) -> Database:
    """Return the database of this name, or explain which there are."""
    if name not in DATABASES:
        raise InputError(f"there is no database {name!r}; there are {', '.join(DATABASES)}")
    return DATABASES[name]


def pinned_hashes(name: str) -> dict[str, str]:
    """Return the hashes that palpate itself knows, by file name; empty if it knows none."""
    file = resources.files("palpate.io") / "registry" / f"{name}.txt"
    if not file.is_file():
        return {}
    return dict(line.split() for line in file.read_text(encoding="utf-8").splitlines())


def remote_files(database: Database, folder: Path, records: Sequence[str] = ()) -> dict[str, str]:
    """Read the archive's list and return the wanted files with their hashes.

    Parameters
    ----------
    records
        Names to restrict the download to; all by default.

    Raises
    ------
    InputError
        If the archive cannot be reached, lists a hash that differs from a pinned one, or
        has no file of a record asked for.
    """
    with _explained(database, folder), _opened(database.address + SUMS) as response:
        listed = dict(_listed(response.read().decode("utf-8", errors="replace")))
    wanted = {
        name: digest
        for name, digest in listed.items()
        if "/" not in name and (name.endswith(database.suffixes) or name == "RECORDS")
    }
    if records:
        wanted = {name: wanted[name] for name in wanted if PurePosixPath(name).stem in records}
        absent = set(records) - {PurePosixPath(name).stem for name in wanted}
        if absent:
            raise InputError(f"{database.name} has no record {', '.join(sorted(absent))}")
    for name, digest in pinned_hashes(database.name).items():
        if wanted.get(name, digest) != digest:
            raise InputError(
                f"the archive lists another hash for {name} than palpate knows; the file has "
                "changed or the archive is not the real one, so nothing was downloaded"
            )
    if not wanted:
        raise InputError(f"{database.address} lists no file of {database.name}")
    return wanted


def fetch_files(database: Database, folder: Path, files: dict[str, str]) -> Iterator[Path]:
    """Download what is missing or wrong, one file after another; yield each when it is right.

    Raises
    ------
    InputError
        If the archive cannot be reached, a file does not have the hash it should, or the
        folder cannot be written.
    """
    for name, digest in files.items():
        path = folder / name
        with _explained(database, folder):
            if not _is(path, digest):
                _fetch(database.address + name, path, digest)
        yield path
    shutil.rmtree(folder / PARTIAL, ignore_errors=True)


def _fetch(url: str, path: Path, digest: str) -> None:
    """Download into a partial file that outlives a failure; put it in place if it is right."""
    partial = path.parent / PARTIAL / path.name
    partial.parent.mkdir(parents=True, exist_ok=True)
    _download(url, partial)
    if not _is(partial, digest):
        partial.unlink()
        raise InputError(
            f"{path.name} from {urllib.parse.urlsplit(url).hostname} does not have the hash it "
            "should and was thrown away; try again, and do not use it if that happens twice"
        )
    partial.replace(path)


def _is(path: Path, digest: str) -> bool:
    """Return whether the file is there and has this hash, ``sha256:<hex>``."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return f"sha256:{hashlib.file_digest(file, 'sha256').hexdigest()}" == digest


def _download(url: str, path: Path) -> None:
    """Write what the server sends to ``path``, after what is there if the server resumes."""
    have = path.stat().st_size if path.exists() else 0
    try:
        response = _opened(url, first_byte=have)
    except urllib.error.HTTPError as fault:
        if fault.code == _NOTHING_LEFT and have:
            return  # it was whole already; the hash will tell
        raise
    with response, path.open("ab" if response.status == _RESUMED else "wb") as file:
        shutil.copyfileobj(response, file, _CHUNK)
        missing = response.length
    if missing:
        raise http.client.IncompleteRead(b"", missing)


def _opened(url: str, *, first_byte: int = 0) -> http.client.HTTPResponse:
    if urllib.parse.urlsplit(url).scheme not in ("http", "https"):
        raise InputError(f"{url} is not a web address; it starts with https://")
    headers = {"User-Agent": f"palpate/{__version__}"}
    if first_byte:
        headers["Range"] = f"bytes={first_byte}-"
    request = urllib.request.Request(url, headers=headers)  # noqa: S310 - checked above
    response: http.client.HTTPResponse = urllib.request.urlopen(  # noqa: S310
        request, timeout=_TIMEOUT_S
    )
    return response


def _listed(text: str) -> Iterable[tuple[str, str]]:
    """Yield name and hash of every line ``<hex> <name>`` that stays inside the folder."""
    for line in text.splitlines():
        digest, _, name = line.strip().partition(" ")
        name = name.strip().removeprefix("*").removeprefix("./")
        parts = PurePosixPath(name)
        if name and not parts.is_absolute() and ".." not in parts.parts:
            yield name, f"sha256:{digest.lower()}"


@contextlib.contextmanager
def _explained(database: Database, folder: Path) -> Iterator[None]:
    """Turn what can go wrong on the way into one sentence."""
    try:
        yield
    except InputError:
        raise
    except (OSError, http.client.HTTPException) as fault:
        raise InputError(_sentence(fault, database, folder)) from fault
    except ValueError as fault:
        raise InputError(f"{database.address} is not a usable web address ({fault})") from fault


def _sentence(fault: OSError | http.client.HTTPException, database: Database, folder: Path) -> str:
    host = urllib.parse.urlsplit(database.address).hostname
    if isinstance(fault, urllib.error.HTTPError):
        what = "has no such file" if fault.code == _NOT_THERE else "refuses"
        return f"{host} {what} ({fault.code}, {fault.url}); try again later or use a mirror"
    if isinstance(fault, (urllib.error.URLError, TimeoutError, ConnectionError)):
        reason = getattr(fault, "reason", fault)
        return (
            f"{host} cannot be reached ({reason}); connect to a network, or put the files of "
            f"{database.name} into {folder} yourself"
        )
    if isinstance(fault, http.client.HTTPException):
        return f"the connection to {host} broke off; run the same command again to go on"
    return explain_os_error(fault)
