import errno
import json
import os

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from palpate import __version__
from palpate.io import read_store, read_table, store, table_names, write_store, write_table
from palpate.io.hdf5 import group_key, name_of
from palpate.io.store import StoredTable
from palpate.signals import Recording, Role, Session, Waveform
from palpate.validation import InputError


def assert_same(a, b):
    """Compare two records field by field, arrays bit by bit."""
    if isinstance(a, np.ndarray):
        assert a.dtype.kind == b.dtype.kind
        np.testing.assert_array_equal(a, b)
    elif isinstance(a, tuple):
        assert len(a) == len(b)
        for one, other in zip(a, b, strict=True):
            assert_same(one, other)
    elif hasattr(a, "__dataclass_fields__"):
        assert type(a) is type(b)
        for name in a.__dataclass_fields__:
            assert_same(getattr(a, name), getattr(b, name))
    elif isinstance(a, dict):
        assert list(a) == list(b)
        for key in a:
            assert_same(a[key], b[key])
    elif isinstance(a, float) and np.isnan(a):
        assert np.isnan(b)
    else:
        assert a == b
        assert type(a) is type(b)


@pytest.fixture
def stored(session, tmp_path):
    return write_store(session, tmp_path / "session.h5")


def test_a_session_comes_back_as_it_was(session, stored):
    assert_same(session, read_store(stored))


def test_only_the_named_recordings_are_read(session, stored):
    last = session.recordings[-1]
    assert_same((last,), read_store(stored, recordings=[last.name]).recordings)
    assert read_store(stored, recordings=()).recordings == ()
    with pytest.raises(InputError, match="holds no recording 'cedar'"):
        read_store(stored, recordings=["cedar"])


def test_a_table_comes_back_with_what_made_it(session, window_table, tmp_path):
    path = tmp_path / "s.h5"
    made = StoredTable(window_table, {"window_s": 8.0, "methods": ["a"]}, "0.0.9")
    write_store(session, path, tables={"windows/alder": made})
    back = read_table(path, "windows/alder")
    assert_same(dict(window_table.columns), dict(back.table.columns))
    assert_same(window_table.start_s, back.table.start_s)
    assert back.parameters == {"window_s": 8.0, "methods": ["a"]}
    assert back.palpate_version == "0.0.9"


def test_tables_are_added_and_replaced(session, stored, window_table):
    write_table(stored, "first", window_table, parameters={"step_s": 2.0})
    write_table(stored, "second", window_table, parameters={})
    write_table(stored, "first", window_table, parameters={"step_s": 4.0})
    assert set(table_names(stored)) == {"first", "second"}
    back = read_table(stored, "first")
    assert back.parameters == {"step_s": 4.0}
    assert back.palpate_version == __version__
    assert_same(session, read_store(stored))
    with pytest.raises(InputError, match="no table 'third'; there are: second, first"):
        read_table(stored, "third")


def test_parameters_must_be_json(stored, window_table):
    before = stored.read_bytes()
    with pytest.raises(InputError, match="no JSON values"):
        write_table(stored, "x", window_table, parameters={"f": object()})
    assert stored.read_bytes() == before


def test_five_lines_of_h5py_read_it(session, stored):
    """The snippet of the README."""
    with h5py.File(stored) as file:
        acc = file["recordings/Alder%2Fleft/waveforms/acc"]
        values, fs_hz, unit = acc[:], acc.attrs["fs_hz"], acc.attrs["unit"].decode()
        time_s = acc.attrs["start_s"] + np.arange(len(values)) / fs_hz
    np.testing.assert_array_equal(values, session.recordings[1].waveforms[1].values)
    assert (fs_hz, unit, time_s[1]) == (100.0, "m/s2", 0.01)


def test_samples_are_chunked_and_compressed(tmp_path):
    walk = np.round(np.cumsum(np.random.default_rng(1).normal(size=(200_000, 3)), axis=0))
    wave = Waveform("acc", Role.ACC, walk, 100.0, "g")
    path = write_store(Session("s", (Recording("r", (wave,)),)), tmp_path / "s.h5")
    with h5py.File(path) as file:
        dataset = file["recordings/r/waveforms/acc"]
        assert (dataset.compression, dataset.shuffle) == ("gzip", True)
        assert dataset.chunks[0] < 200_000
        assert dataset.chunks[1] == 3
    assert path.stat().st_size < walk.nbytes / 3


def test_no_object_and_no_variable_length_array_is_written(session, window_table, tmp_path):
    path = write_store(session, tmp_path / "s.h5", tables={"w": StoredTable(window_table)})
    kinds = set()
    with h5py.File(path) as file:
        file.visititems(
            lambda _, item: kinds.add(item.dtype.kind) if isinstance(item, h5py.Dataset) else None
        )
    assert kinds <= set("biufS")


@pytest.mark.parametrize("name", ["a/b", "..", ".", "%2F", "50 %", "a%2Fb", "ü", "a.b"])
def test_any_name_is_one_path_component(name):
    assert "/" not in group_key(name)
    assert group_key(name) not in (".", "..")
    assert name_of(group_key(name)) == name


text = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=12)
name_text = text.filter(bool)


@settings(max_examples=40, deadline=None)
@given(
    names=st.lists(name_text, min_size=2, max_size=2, unique=True),
    label=text,
    notes=text,
    values=arrays(np.float64, st.tuples(st.integers(0, 9), st.just(2))),
)
def test_any_text_and_any_number_comes_back(tmp_path_factory, names, label, notes, values):
    waves = tuple(
        Waveform(name, Role.OTHER, values, 5.0, label, (label, "b"), placement=notes)
        for name in names
    )
    session = Session(label, (Recording(names[0], waves, device=label),), notes=notes)
    path = write_store(session, tmp_path_factory.mktemp("any") / "s.h5")
    assert_same(session, read_store(path))


@pytest.mark.parametrize("field", ["title", "label", "name"])
def test_nul_in_a_text_is_refused(tmp_path, field):
    texts = {"title": "a", "label": "a", "name": "a"} | {field: "a\0b"}
    wave = Waveform(texts["name"], Role.OTHER, np.zeros((2, 1)), 5.0, "g", (texts["label"],))
    with pytest.raises(InputError, match=r"s\.h5 cannot be written: .*(?i:null?)"):
        write_store(Session(texts["title"], (Recording("r", (wave,)),)), tmp_path / "s.h5")
    assert list(tmp_path.iterdir()) == []


def fill_the_disk(*_args, **_kwargs):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_full_disk_leaves_the_old_store(session, stored, window_table, monkeypatch):
    before = stored.read_bytes()
    monkeypatch.setattr(store, "write_array", fill_the_disk)
    with pytest.raises(OSError, match="No space left") as caught:
        write_store(session, stored)
    assert caught.value.filename == str(stored)
    assert caught.value.errno == errno.ENOSPC
    with pytest.raises(OSError, match="No space left"):
        write_table(stored, "w", window_table, parameters={})
    assert stored.read_bytes() == before
    assert [p.name for p in stored.parent.iterdir()] == [stored.name]


def test_a_copy_that_fails_leaves_the_old_store(stored, window_table, monkeypatch):
    before = stored.read_bytes()
    monkeypatch.setattr(store.shutil, "copyfile", fill_the_disk)
    with pytest.raises(OSError, match="No space left"):
        write_table(stored, "w", window_table, parameters={})
    assert stored.read_bytes() == before
    assert [p.name for p in stored.parent.iterdir()] == [stored.name]


def test_a_store_is_named_as_one(session, tmp_path):
    with pytest.raises(InputError, match=r"must end in \.h5"):
        write_store(session, tmp_path / "s.dat")


def test_a_store_below_a_file_cannot_be_written(session, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OSError, match=r"Not a directory|exists"):
        write_store(session, tmp_path / "file" / "s.h5")


ACC = "recordings/Alder%2Fleft/waveforms/acc"


def link_out(file, folder):
    file[ACC] = h5py.ExternalLink(str(folder / "other.h5"), "/acc")


def link_within(file, folder):
    file[ACC] = h5py.SoftLink("/activities/start_s")


def objects(file, folder):
    texts = np.array([["a", "b"]], dtype=object)
    file.create_dataset(ACC, data=texts, dtype=h5py.string_dtype())


def references(file, folder):
    file.create_dataset(ACC, data=np.array([[file.ref]], dtype=h5py.ref_dtype))


def compounds(file, folder):
    file.create_dataset(ACC, data=np.zeros((2, 2), dtype=[("a", "f8")]))


def huge_claim(file, folder):
    file.create_dataset(ACC, shape=(10**11, 3), dtype="f8", chunks=(1000, 3))


def bytes_elsewhere(file, folder):
    raw = folder / "raw.bin"
    raw.write_bytes(bytes(48))
    file.create_dataset(ACC, shape=(2, 3), dtype="f8", external=[(str(raw), 0, 48)])


def virtual(file, folder):
    layout = h5py.VirtualLayout(shape=(5, 3), dtype="f8")
    layout[:] = h5py.VirtualSource(str(folder / "other.h5"), "acc", shape=(5, 3))
    file.create_virtual_dataset(ACC, layout)


def one_dimension(file, folder):
    file.create_dataset(ACC, data=np.zeros(5))


def group_instead(file, folder):
    file.create_group(ACC)


def wrong_attribute(file, folder):
    file.create_dataset(ACC, data=np.zeros((5, 3))).attrs["role"] = np.array([1, 2])


def text_in_the_heap(file, folder):
    file.create_dataset(ACC, data=np.zeros((5, 3))).attrs["role"] = "acc"


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (link_out, "is a link to elsewhere"),
        (link_within, "is a link to elsewhere"),
        (objects, "holds object; a store holds numbers and text only"),
        (references, "holds object; a store holds numbers and text only"),
        (compounds, "a store holds numbers and text only"),
        (huge_claim, "claims 2400000000000 bytes, more than the file can hold"),
        (bytes_elsewhere, "keeps its data in another file"),
        (virtual, "keeps its data in another file"),
        (one_dimension, "is not an array of 2 dimensions"),
        (group_instead, "is not an array of 2 dimensions"),
        (wrong_attribute, "attribute 'role' must be of type str"),
        (text_in_the_heap, "attribute 'role' is no number and no plain text"),
    ],
)
def test_a_hostile_store_is_refused(stored, tmp_path, spoil, message):
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["acc"] = np.zeros((5, 3))
    with h5py.File(stored, "r+", libver=("v110", "v110")) as file:
        del file[ACC]
        spoil(file, tmp_path)
    with pytest.raises(InputError, match=message) as caught:
        read_store(stored)
    assert str(stored) in str(caught.value)


def test_what_is_missing_or_foreign_is_named(stored, tmp_path):
    with h5py.File(tmp_path / "plain.h5", "w") as file:
        file["x"] = np.zeros(3)
    with pytest.raises(InputError, match="no palpate session store"):
        read_store(tmp_path / "plain.h5")
    with h5py.File(stored, "r+") as file:
        del file["activities"]
    with pytest.raises(InputError, match="activities is missing; this is not a whole"):
        read_store(stored)
    with h5py.File(stored, "r+") as file:
        file.attrs["schema"] = 99
    with pytest.raises(InputError, match=r"has store schema 99; palpate .* reads schema 1"):
        read_store(stored)


def test_values_that_no_record_takes_are_refused(stored):
    with h5py.File(stored, "r+") as file:
        file[ACC].attrs["fs_hz"] = -5.0
    with pytest.raises(InputError, match="is -5 Hz; a sampling rate lies between"):
        read_store(stored)


def test_parameters_are_plain_json_in_the_file(session, window_table, tmp_path):
    made = StoredTable(window_table, {"b": 1, "a": [1, 2]})
    path = write_store(session, tmp_path / "s.h5", tables={"w": made})
    with h5py.File(path) as file:
        assert json.loads(file["tables/w"].attrs["parameters"]) == {"a": [1, 2], "b": 1}


@pytest.mark.parametrize("value", [np.nan, np.inf])
@pytest.mark.parametrize(
    ("place", "key"),
    [("waveforms/acc", "start_s"), ("waveforms/acc", "fs_hz"), ("", "clock_offset_s")],
)
def test_a_time_or_rate_that_is_not_finite_is_refused(stored, place, key, value):
    with h5py.File(stored, "a") as file:
        file[f"recordings/Alder%2Fleft/{place}"].attrs[key] = value
    with pytest.raises(InputError, match=rf"attribute '{key}' is (nan|inf); it must be finite"):
        read_store(stored)
