"""Downloads, against a server on this machine that can resume, break off and lie."""

from __future__ import annotations

import functools
import hashlib
import http.server
import json
import re
import threading
from dataclasses import replace

import pytest

from palpate.cli import main
from palpate.io.databases import (
    DATABASES,
    Database,
    fetch_files,
    find_database,
    pinned_hashes,
    remote_files,
)
from palpate.validation import InputError

CONTENT = {
    "RECORDS": b"a1\na2\n",
    "a1.hea": b"a1 1 360 10\n",
    "a1.dat": bytes(range(256)) * 400,
    "a1.atr": b"\x01\x02",
    "a2.hea": b"a2 1 360 10\n",
    "a2.dat": b"second",
    "notes.html": b"<p>not wanted</p>",
}


class _Handler(http.server.SimpleHTTPRequestHandler):
    """Serves files, with byte ranges; may break off after some bytes of a named file."""

    def log_message(self, *_):
        pass

    def do_GET(self):
        state = self.server.state
        name = self.path.rsplit("/", 1)[-1]
        state["requests"].append((name, self.headers.get("Range")))
        content = state["content"].get(name)
        if content is None:
            self.send_error(404)
            return
        asked = re.fullmatch(r"bytes=(\d+)-", self.headers.get("Range") or "")
        first = int(asked[1]) if asked and state["ranges"] else 0
        if first >= len(content) > 0 and first:
            self.send_error(416)
            return
        self.send_response(206 if first else 200)
        self.send_header("Content-Length", str(len(content) - first))
        self.end_headers()
        cut = state["cut"].pop(name, None)
        self.wfile.write(content[first:] if cut is None else content[first : first + cut])
        self.close_connection = True


@pytest.fixture
def archive():
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), _Handler)
    sums = "".join(
        f"{hashlib.sha256(content).hexdigest()} {name}\n" for name, content in CONTENT.items()
    )
    server.state = {
        "content": {**CONTENT, "SHA256SUMS.txt": sums.encode()},
        "requests": [],
        "cut": {},
        "ranges": True,
    }
    thread = threading.Thread(target=functools.partial(server.serve_forever, poll_interval=0.01))
    thread.start()
    yield server
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture
def database(archive):
    return Database(
        name="demo",
        title="demo",
        address=f"http://127.0.0.1:{archive.server_port}/files/demo/",
        licence="none",
        citation="none",
    )


def _fetch(database, folder, records=()):
    return list(fetch_files(database, folder, remote_files(database, folder, records)))


def test_wanted_files_arrive_whole(database, tmp_path):
    fetched = _fetch(database, tmp_path)
    names = {path.name for path in fetched}
    assert names == set(CONTENT) - {"notes.html"}
    assert all(path.read_bytes() == CONTENT[path.name] for path in fetched)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(names)


def test_only_the_records_asked_for(database, tmp_path):
    fetched = _fetch(database, tmp_path, records=("a2",))
    assert {path.name for path in fetched} == {"a2.hea", "a2.dat"}


def test_what_is_there_and_right_is_not_downloaded_again(archive, database, tmp_path):
    _fetch(database, tmp_path)
    archive.state["requests"].clear()
    _fetch(database, tmp_path)
    assert [name for name, _ in archive.state["requests"]] == ["SHA256SUMS.txt"]


def test_a_file_that_was_changed_is_downloaded_again(archive, database, tmp_path):
    _fetch(database, tmp_path)
    (tmp_path / "a1.hea").write_bytes(b"spoilt")
    archive.state["requests"].clear()
    _fetch(database, tmp_path)
    assert [name for name, _ in archive.state["requests"]] == ["SHA256SUMS.txt", "a1.hea"]
    assert (tmp_path / "a1.hea").read_bytes() == CONTENT["a1.hea"]


def test_a_broken_download_goes_on_where_it_stopped(archive, database, tmp_path):
    archive.state["cut"]["a1.dat"] = 70_000
    with pytest.raises(InputError, match="broke off; run the same command again"):
        _fetch(database, tmp_path)
    archive.state["requests"].clear()
    _fetch(database, tmp_path)
    ranges = dict(archive.state["requests"])
    assert ranges["a1.dat"] == "bytes=70000-"
    assert (tmp_path / "a1.dat").read_bytes() == CONTENT["a1.dat"]


def test_a_server_without_ranges_starts_again(archive, database, tmp_path):
    archive.state["cut"]["a1.dat"] = 70_000
    archive.state["ranges"] = False
    with pytest.raises(InputError, match="broke off"):
        _fetch(database, tmp_path)
    _fetch(database, tmp_path)
    assert (tmp_path / "a1.dat").read_bytes() == CONTENT["a1.dat"]


def test_a_partial_file_that_is_whole_already_is_taken(archive, database, tmp_path):
    (tmp_path / ".partial").mkdir()
    (tmp_path / ".partial" / "a1.dat").write_bytes(CONTENT["a1.dat"])
    _fetch(database, tmp_path)
    assert (tmp_path / "a1.dat").read_bytes() == CONTENT["a1.dat"]


def test_a_file_with_another_hash_is_thrown_away(archive, database, tmp_path):
    archive.state["content"]["a2.dat"] = b"tampered"
    with pytest.raises(InputError, match=r"a2\.dat from 127\.0\.0\.1 does not have the hash"):
        _fetch(database, tmp_path)
    assert not (tmp_path / "a2.dat").exists()
    assert not (tmp_path / ".partial" / "a2.dat").exists()


def test_an_archive_that_contradicts_a_pinned_hash_is_refused(archive, database, tmp_path):
    mitdb = replace(database, name="mitdb")
    archive.state["content"]["SHA256SUMS.txt"] = b"0" * 64 + b" 100.dat\n"
    with pytest.raises(InputError, match=r"another hash for 100\.dat"):
        remote_files(mitdb, tmp_path)


def test_names_that_leave_the_folder_are_ignored(archive, database, tmp_path):
    digest = b"0" * 64
    archive.state["content"]["SHA256SUMS.txt"] += (
        digest + b" ../a9.dat\n" + digest + b" /a8.dat\n" + digest + b" more/a7.dat\n"
    )
    assert set(remote_files(database, tmp_path)) == set(CONTENT) - {"notes.html"}


def test_a_record_that_is_not_there_is_named(database, tmp_path):
    with pytest.raises(InputError, match="demo has no record a9"):
        remote_files(database, tmp_path, ("a9",))


def test_without_a_server_one_sentence_says_what_to_do(archive, database, tmp_path):
    archive.server_close()
    archive.shutdown()
    with pytest.raises(InputError, match=r"cannot be reached .* connect to a network"):
        remote_files(database, tmp_path)


def test_a_server_without_the_database_is_explained(archive, database, tmp_path):
    archive.state["content"].clear()
    with pytest.raises(InputError, match="has no such file"):
        remote_files(database, tmp_path)


def test_an_address_of_another_kind_is_refused(database, tmp_path):
    with pytest.raises(InputError, match="not a web address"):
        remote_files(replace(database, address="file:///etc/"), tmp_path)


@pytest.mark.parametrize("address", ["http://[::1/", "http://a..b/"])
def test_an_address_that_cannot_be_one_is_refused(database, tmp_path, address):
    with pytest.raises(InputError, match="not a usable web address"):
        remote_files(replace(database, address=address), tmp_path)


def test_a_list_with_odd_bytes_is_read(archive, database, tmp_path):
    archive.state["content"]["SHA256SUMS.txt"] += b"0" * 64 + b" caf\xe9.txt\n"
    assert set(remote_files(database, tmp_path)) == set(CONTENT) - {"notes.html"}


def test_a_folder_that_cannot_be_made_is_explained(database, tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(InputError, match="cannot be read or written"):
        _fetch(database, tmp_path / "taken")


def test_an_unknown_name_lists_the_known_ones():
    with pytest.raises(InputError, match="mitdb, nstdb, wrist"):
        find_database("mitbd")


@pytest.mark.parametrize("name", DATABASES)
def test_registry_entries_are_complete(name):
    database = find_database(name)
    assert re.fullmatch(r"https://\S+/", database.address)
    assert database.licence
    assert database.citation
    hashes = pinned_hashes(name)
    assert all(re.fullmatch(r"sha256:[0-9a-f]{64}", digest) for digest in hashes.values())
    assert all(file.endswith(database.suffixes) for file in hashes)


def test_pinned_hashes_are_those_of_the_files_measured_on(data_dir):
    for name, folder in (("mitdb", "mitdb"), ("nstdb", "nstdb_partial")):
        present = data_dir / "datasets" / folder
        for file, digest in pinned_hashes(name).items():
            if (present / file).exists():
                content = (present / file).read_bytes()
                assert f"sha256:{hashlib.sha256(content).hexdigest()}" == digest, file


def test_command_fetches_from_a_mirror_and_names_the_terms(database, tmp_path, capsys):
    folder = tmp_path / "wrist"
    arguments = ["fetch", "wrist", "-o", str(folder), "--mirror", database.address, "--json"]
    assert main(arguments) == 0
    said = json.loads(capsys.readouterr().out)
    assert sorted(said["files"]) == sorted(path.name for path in folder.iterdir())
    assert said["n_pinned"] == 0
    assert said["database"]["licence"] == DATABASES["wrist"].licence


def test_command_without_a_name_lists_the_databases(capsys):
    assert main(["fetch"]) == 0
    printed = capsys.readouterr().out
    assert all(f"{name} " in printed for name in DATABASES)


def test_command_explains_an_unknown_name(capsys):
    assert main(["fetch", "mitbd"]) == 2
    assert "there is no database 'mitbd'" in capsys.readouterr().err


def test_command_without_a_network_says_so_in_one_sentence(tmp_path, capsys):
    # Port 9 of this machine: nothing listens there.
    arguments = ["fetch", "mitdb", "-o", str(tmp_path / "m"), "--mirror", "http://127.0.0.1:9"]
    assert main(arguments) == 2
    said = capsys.readouterr().err.strip()
    assert said.count("\n") == 0
    assert "connect to a network" in said
    assert not (tmp_path / "m").exists()
