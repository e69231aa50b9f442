import json

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
