from pathlib import Path

import pytest

from palpate.io.sheet import read_sheet
from palpate.validation import InputError

CHEST = """
[[recording]]
name = "chest"
file = "chest.edf"
[[recording.channel]]
role = "ecg"
"""


def sheet(tmp_path: Path, text: str, *, head: str = "schema = 1\n") -> Path:
    path = tmp_path / "session.toml"
    path.write_text(head + text, encoding="utf-8")
    return path


def test_every_key_arrives(tmp_path):
    text = """
title = "evening"
wearer = "carrier 3"
notes = "rain"

[[recording]]
name = "alder"
file = "alder.csv"
device = "Alder"
firmware = "2.1"
placement = "left wrist"
clock_offset_s = -3
clock_drift_ppm = 12.5
rate_hz = 50

[[recording.channel]]
role = "ppg"
name = "light"
select = ["green", 3]
unit = "a.u."
labels = ["g", "ir"]
wavelength_nm = [525, 940.0]
placement = "forearm"

[[recording.channel]]
role = "heart_rate"
file = "alder_hr.csv"
time = "when"
time_unit = "unix_ms"

[[recording.channel]]
role = "acc"
file = "alder.mat"
variable = "m"
orientation = "columns"
rate_hz = 100

[[activity]]
name = "crate lifting"
start_s = 300
end_s = 600.5
"""
    read = read_sheet(sheet(tmp_path, text))
    assert (read.title, read.wearer, read.notes) == ("evening", "carrier 3", "rain")
    (recording,) = read.recordings
    assert (recording.device, recording.firmware) == ("Alder", "2.1")
    assert (recording.clock_offset_s, recording.clock_drift_ppm) == (-3.0, 12.5)
    light, rate, acc = recording.channels
    assert (light.name, light.select, light.unit) == ("light", ("green", 3), "a.u.")
    assert (light.labels, light.wavelength_nm) == (("g", "ir"), (525.0, 940.0))
    assert light.placement == "forearm"
    assert (light.source.file, light.source.rate_hz) == (tmp_path / "alder.csv", 50.0)
    assert rate.placement == "left wrist"
    assert rate.source.file == tmp_path / "alder_hr.csv"
    assert (rate.source.time, rate.source.time_unit) == ("when", "unix_ms")
    assert (acc.source.variable, acc.source.orientation) == ("m", "columns")
    assert acc.source.rate_hz == 100.0
    (activity,) = read.activities
    assert (activity.name, activity.start, activity.end) == ("crate lifting", 300.0, 600.5)


def test_clock_that_is_not_stated_stays_open(tmp_path):
    (recording,) = read_sheet(sheet(tmp_path, CHEST)).recordings
    assert recording.clock_offset_s is None


def test_the_guides_own_example_is_a_sheet(tmp_path):
    guide = Path(__file__).parents[2] / "src" / "palpate" / "guide" / "session_sheet.md"
    example = guide.read_text(encoding="utf-8").split("```toml\n")[1].split("```")[0]
    read = read_sheet(sheet(tmp_path, example, head=""))
    assert [r.name for r in read.recordings] == ["chest", "alder"]
    assert [c.role for c in read.recordings[1].channels] == ["ppg", "acc", "heart_rate"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('titel = "x"' + CHEST, r"session.toml: key 'titel' is not known; did you mean 'title'\?"),
        (
            CHEST.replace("name", "nam"),
            r"\[\[recording\]\] 1: name is missing; key 'nam' seems to be it, misspelt",
        ),
        (CHEST.replace("role", "rolle"), "role is missing; key 'rolle' seems to be it, misspelt"),
        (CHEST.replace("role", "x"), "role is missing; it must be one of ecg"),
        (
            CHEST.replace("[[recording]]", "[[recordings]]"),
            r"recording must be written as .* tables; correct the spelling of 'recordings'",
        ),
        (
            CHEST.replace("file =", "flie ="),
            r"\[\[recording.*\]\] 1.*: (file is missing|key 'flie' is not known)",
        ),
        (
            CHEST + 'uint = "mV"',
            r"\[\[recording\]\] 1 'chest': \[\[recording.channel\]\] 1: key 'uint' is not known; "
            r"did you mean 'unit'\?",
        ),
        (CHEST.replace('"ecg"', '"egc"'), r"role is 'egc'; .* did you mean 'ecg'\?"),
        (CHEST.replace('"ecg"', '"ECG"'), r"role is 'ECG'; .* did you mean 'ecg'\?"),
        (CHEST.replace('role = "ecg"', ""), "role is missing"),
        (CHEST + 'rate_hz = "50"', "rate_hz is '50'; it must be a number"),
        (CHEST + "rate_hz = -50", "rate_hz is -50 Hz; a sampling rate lies between"),
        (CHEST + "rate_hz = 1e9", r"rate_hz is 1e\+09 Hz; a sampling rate lies between"),
        (CHEST + "rate_hz = nan", "rate_hz is nan; it must be a finite number"),
        (CHEST + "rate_hz = true", "rate_hz is True; it must be a number"),
        (CHEST + "select = [-1]", "select holds -1; positions count from 0"),
        (CHEST + "select = [1.5]", "select holds 1.5; it must be a channel's name"),
        (CHEST + 'select = ["a", "a"]', "select holds twice 'a'"),
        (CHEST + "wavelength_nm = 525", "stands in a channel of role 'ecg', not 'ppg'"),
        (CHEST.replace("ecg", "ppg") + "wavelength_nm = 5.25", "light of PPG has 200 to 2000 nm"),
        (CHEST + 'time_unit = "hours"', "time_unit is 'hours'; it must be one of s, ms"),
        (CHEST + CHEST, "two recordings are named 'chest'"),
        (CHEST + '[[recording.channel]]\nrole = "ecg"', "two channels are named 'ecg'"),
        ('[[recording]]\nname = "a"\nfile = "b.csv"', "channel is missing; add a"),
        ('title = "x"', r"recording is missing; a sheet needs at least one \[\[recording\]\]"),
        ('[recording]\nname = "a"', r"recording must be written as \[\[recording\]\] tables"),
        (CHEST.replace('"chest.edf"', '"{file}"'), "so this is a layout; use it with --layout"),
        (
            CHEST.replace("file =", "clock_offset_s = 1e9\nfile ="),
            r"clock_offset_s is 1e\+09 s; more than a year",
        ),
        (
            CHEST.replace("file =", "clock_drift_ppm = 1e6\nfile ="),
            r"clock_drift_ppm is 1e\+06; a clock drifts by less",
        ),
        (
            CHEST + '[[activity]]\nname = "rest"\nstart_s = 5\nend_s = 5',
            r"\[\[activity\]\] 1 'rest': end_s is 5; it must be later than start_s = 5",
        ),
        (CHEST + '[[activity]]\nname = "rest"\nstart_s = 5', "end_s is missing"),
        ("title = [", "is not valid TOML"),
    ],
)
def test_a_slip_is_named_with_its_place_and_fix(tmp_path, text, message):
    with pytest.raises(InputError, match=message) as caught:
        read_sheet(sheet(tmp_path, text))
    assert str(caught.value).startswith((str(tmp_path), "session.toml"))
    assert "\n" not in str(caught.value)


def test_schema_is_asked_for_and_checked(tmp_path):
    with pytest.raises(InputError, match="begin the sheet with schema = 1"):
        read_sheet(sheet(tmp_path, CHEST, head=""))
    with pytest.raises(InputError, match="schema is 2; this palpate reads schema = 1"):
        read_sheet(sheet(tmp_path, CHEST, head="schema = 2\n"))


def test_a_sheet_that_is_no_text(tmp_path):
    path = tmp_path / "s.toml"
    path.write_bytes(b"\xff\xfe\x00schema")
    with pytest.raises(InputError, match="save it as UTF-8"):
        read_sheet(path)
    with pytest.raises(InputError, match="does not exist"):
        read_sheet(tmp_path / "none.toml")
    with pytest.raises(InputError, match="cannot be read"):
        read_sheet(tmp_path)


def test_an_empty_sheet_says_how_to_draft_one(tmp_path):
    with pytest.raises(InputError, match=r"session\.toml holds nothing; .* palpate sheet FILE -o"):
        read_sheet(sheet(tmp_path, "# later\n", head=""))


def test_a_sheet_saved_with_a_byte_order_mark_is_read(tmp_path):
    path = sheet(tmp_path, CHEST)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert read_sheet(path).recordings[0].name == "chest"


def activity(name, start_s, end_s):
    return f'[[activity]]\nname = "{name}"\nstart_s = {start_s}\nend_s = {end_s}\n'


def test_activities_do_not_overlap_and_may_come_in_any_order(tmp_path):
    apart = activity("lifting", 60, 120) + activity("rest", 0, 60)
    assert len(read_sheet(sheet(tmp_path, CHEST + apart)).activities) == 2
    with pytest.raises(InputError, match=r"'rest' \(0 to 61 s\) and 'lifting' .* overlap; end one"):
        read_sheet(sheet(tmp_path, CHEST + activity("lifting", 60, 120) + activity("rest", 0, 61)))


def test_no_activity_is_called_what_tables_call_the_whole_session(tmp_path):
    with pytest.raises(InputError, match="name is 'all', as tables call the whole session"):
        read_sheet(sheet(tmp_path, CHEST + activity("all", 0, 60)))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (CHEST + activity("rest", "00:01:00", 120), "start_s is 00:01:00; it must be a number"),
        (CHEST + activity("rest", 0, "true"), "end_s is True; it must be a number"),
    ],
)
def test_a_number_that_is_none_is_told_as_it_was_written(tmp_path, text, told):
    with pytest.raises(InputError, match=told):
        read_sheet(sheet(tmp_path, text))


def test_true_is_no_schema(tmp_path):
    with pytest.raises(InputError, match="schema is True"):
        read_sheet(sheet(tmp_path, CHEST, head="schema = true\n"))
