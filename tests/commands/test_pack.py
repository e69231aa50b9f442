import json
import subprocess
import sys

import numpy as np
import pytest

from palpate.cli import main
from palpate.io import open_session


@pytest.fixture
def sheet(tmp_path):
    rows = ["t,x,y,z"] + [f"{k / 10},{k},1,2" for k in range(100)]
    (tmp_path / "alder.csv").write_text("\n".join(rows))
    path = tmp_path / "session.toml"
    path.write_text(
        'schema = 1\n[[recording]]\nname = "alder"\nfile = "alder.csv"\n'
        '[[recording.channel]]\nrole = "acc"\nselect = ["x", "y", "z"]\nunit = "g"\n'
    )
    return path


def test_packed_session_equals_the_sheets(sheet, tmp_path, capsys):
    store = tmp_path / "out" / "session.h5"
    assert main(["pack", str(sheet), "-o", str(store), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said == {"path": str(store), "bytes": store.stat().st_size, "recordings": ["alder"]}
    ours, packed = open_session(sheet), open_session(store)
    np.testing.assert_array_equal(
        packed.recordings[0].waveforms[0].values, ours.recordings[0].waveforms[0].values
    )
    assert packed.recordings[0].sources == ours.recordings[0].sources


def test_a_slip_in_the_sheet_writes_nothing(sheet, tmp_path, capsys):
    sheet.write_text(sheet.read_text() + 'untit = "g"\n')
    assert main(["pack", str(sheet), "-o", str(tmp_path / "out" / "s.h5")]) == 2
    assert "did you mean 'unit'" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_output_that_is_no_store_is_refused(sheet, tmp_path, capsys):
    assert main(["pack", str(sheet), "-o", str(tmp_path / "s.zip")]) == 2
    assert "must end in .h5" in capsys.readouterr().err


LIMITED = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
from palpate.cli import main
sys.exit(main(["pack", sys.argv[1], "-o", sys.argv[2]]))
"""


def test_a_disk_that_takes_no_more_leaves_nothing_behind(sheet, tmp_path):
    """The system refuses to let any file grow beyond 100 kB, as a full disk would."""
    pytest.importorskip("resource", reason="only POSIX systems limit the size of files")
    rng = np.random.default_rng(3)
    rows = ["t,x,y,z"] + [
        f"{k / 10},{a},{b},{c}" for k, (a, b, c) in enumerate(rng.random((9000, 3)))
    ]
    (tmp_path / "alder.csv").write_text("\n".join(rows))
    out = tmp_path / "out" / "s.h5"
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(sheet), str(out)],
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert done.stderr.count("\n") == 1
    assert f"{out} cannot be read or written" in done.stderr
    assert list(out.parent.iterdir()) == []
