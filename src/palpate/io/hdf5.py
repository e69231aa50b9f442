"""HDF5 without surprises: plain groups, plain arrays, plain words, and nothing else.

Conventions
-----------
* Only hard links are followed, and only numbers, booleans and fixed-length text are
  read, so that a store from elsewhere cannot point outside itself or carry objects.
* A dataset may not claim more bytes than deflate could hold in those that are stored
  (1032 : 1, https://zlib.net/zlib_tech.html), nor more than `MAX_BYTES`.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from palpate.io.raw import checked_file, reading
from palpate.signals import StrArray
from palpate.validation import InputError

DEFLATE_RATIO = 1032
# A day of sixteen channels at 512 Hz in float64 is 5.7 GB.
MAX_BYTES = 8 * 2**30
# Spare for small arrays, which HDF5 may keep in headers.
SPARE_BYTES = 65_536
# About 256 KiB per chunk: one chunk fits the default chunk cache several times over.
CHUNK_BYTES = 2**18
# Measured on sensor data, level 6 is 3 % smaller at most and takes half as long again.
GZIP_LEVEL = 1


@contextlib.contextmanager
def opened(path: Path) -> Iterator[h5py.File]:
    """Open an HDF5 file for reading; whatever the library raises becomes one sentence."""
    with reading(checked_file(path), "an HDF5 store"), h5py.File(path, "r") as file:
        yield file


def group_key(name: str) -> str:
    """Return ``name``, which is not empty, as one HDF5 path component."""
    if "\0" in name:
        raise ValueError(f"the name {name!r} holds the character NUL")
    key = name.replace("%", "%25").replace("/", "%2F")
    return key.replace(".", "%2E") if not key.strip(".") else key


def name_of(key: str) -> str:
    """Return the name that `group_key` made ``key`` of."""
    for code, char in (("%2F", "/"), ("%2E", "."), ("%25", "%")):
        key = key.replace(code, char)
    return key


def member(group: h5py.Group, key: str) -> Any:
    """Return the group or dataset under ``key``, which must be a hard link."""
    place = _place(group, key)
    link = group.get(key, getlink=True)
    if link is None:
        raise InputError(f"{place} is missing; this is not a whole palpate store")
    if not isinstance(link, h5py.HardLink):
        raise InputError(f"{place} is a link to elsewhere; palpate follows none")
    return group[key]


def subgroup(group: h5py.Group, key: str) -> h5py.Group:
    """Return the group under ``key``."""
    found = member(group, key)
    if not isinstance(found, h5py.Group):
        raise InputError(f"{_place(group, key)} is not a group; this is no palpate store")
    return found


def read_array(group: h5py.Group, key: str, *, ndim: int = 1) -> NDArray[Any]:
    """Return a dataset of numbers, booleans or text after checking what it claims."""
    place = _place(group, key)
    dataset = member(group, key)
    if not isinstance(dataset, h5py.Dataset) or len(dataset.shape) != ndim:
        raise InputError(f"{place} is not an array of {ndim} dimensions")
    if dataset.dtype.kind not in "biufS":
        raise InputError(f"{place} holds {dataset.dtype}; a store holds numbers and text only")
    if dataset.is_virtual or dataset.external:
        raise InputError(f"{place} keeps its data in another file; palpate reads none")
    claimed = dataset.size * dataset.dtype.itemsize
    if claimed > min(MAX_BYTES, DEFLATE_RATIO * dataset.id.get_storage_size() + SPARE_BYTES):
        raise InputError(f"{place} claims {claimed} bytes, more than the file can hold")
    values = dataset[()]
    if values.dtype.kind == "S":
        return np.char.decode(values, "utf-8")
    return np.asarray(values)


def read_numbers(group: h5py.Group, key: str, *, ndim: int = 1) -> NDArray[np.float64]:
    """Return a dataset of real numbers as float64."""
    values = read_array(group, key, ndim=ndim)
    if values.dtype.kind == "U":
        raise InputError(f"{_place(group, key)} holds text; it must hold numbers")
    return values.astype(np.float64, copy=False)


def read_texts(group: h5py.Group, key: str) -> StrArray:
    """Return a dataset of text."""
    values = read_array(group, key)
    if values.dtype.kind != "U":
        raise InputError(f"{_place(group, key)} holds numbers; it must hold text")
    return values


def attribute(item: h5py.Group | h5py.Dataset, key: str, kind: type) -> Any:
    """Return an attribute as ``str``, ``float``, ``int`` or ``bool``; InputError if it is not."""
    value = _attribute_value(item, key)
    plain = value.item() if isinstance(value, np.generic) else value
    if isinstance(plain, bytes):
        plain = plain.decode("utf-8")
    if kind is float and isinstance(plain, int) and not isinstance(plain, bool):
        plain = float(plain)
    if not isinstance(plain, kind):
        raise InputError(f"{_place(item)}: attribute {key!r} must be of type {kind.__name__}")
    if isinstance(plain, float) and not math.isfinite(plain):
        raise InputError(f"{_place(item)}: attribute {key!r} is {plain}; it must be finite")
    return plain


def attribute_list(item: h5py.Group | h5py.Dataset, key: str) -> list[Any]:
    """Return an attribute that is a list of numbers or text."""
    values = np.asarray(_attribute_value(item, key))
    if values.ndim != 1:
        raise InputError(f"{_place(item)}: attribute {key!r} must be a list")
    return list((np.char.decode(values, "utf-8") if values.dtype.kind == "S" else values).tolist())


def _attribute_value(item: h5py.Group | h5py.Dataset, key: str) -> Any:
    """Return an attribute that is kept in place.

    Text of variable length is refused unread: it lies in the file's global heap, and the
    library can loop for ever in a damaged one.
    """
    if key not in item.attrs:
        raise InputError(f"{_place(item)} lacks the attribute {key!r}")
    if item.attrs.get_id(key).dtype.kind not in "biufS":
        raise InputError(f"{_place(item)}: attribute {key!r} is no number and no plain text")
    return item.attrs[key]


def write_attributes(item: h5py.Group | h5py.Dataset, **values: Any) -> None:
    """Write attributes; a text becomes fixed-length UTF-8."""
    for key, value in values.items():
        item.attrs[key] = text_array([value])[0] if isinstance(value, str) else value


def text_array(values: Sequence[str] | StrArray) -> NDArray[np.bytes_]:
    """Return text as fixed-length UTF-8, which NUL would end."""
    if any("\0" in text for text in values):
        raise ValueError("a text holds the character NUL")
    encoded = np.char.encode(np.asarray(values, dtype=np.str_), "utf-8")
    return encoded.astype(f"S{max(encoded.dtype.itemsize, 1)}")


def write_array(group: h5py.Group, key: str, values: NDArray[Any]) -> h5py.Dataset:
    """Write an array, in chunks along time, shuffled and deflated."""
    if values.dtype.kind == "U":
        values = text_array(values)
    if values.dtype.kind not in "biufS":
        raise TypeError(f"a store holds numbers and text, not {values.dtype} ({key})")
    if values.size == 0:
        return group.create_dataset(key, data=values)
    row_bytes = max(values.nbytes // values.shape[0], 1)
    rows = min(max(CHUNK_BYTES // row_bytes, 1), values.shape[0])
    return group.create_dataset(
        key,
        data=values,
        chunks=(rows, *values.shape[1:]),
        compression="gzip",
        compression_opts=GZIP_LEVEL,
        shuffle=True,
    )


def _place(item: h5py.Group | h5py.Dataset, key: str = "") -> str:
    return f"{item.file.filename}: {item.name.rstrip('/')}/{key}".rstrip("/")
