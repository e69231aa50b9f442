"""Write a simulated session to the files that a wearer would export.

==================  =====================================================================
``chest.edf``       the chest ECG (EDF, 16 bit)
``<band>.csv``      raw light, acceleration and, where the band has one, rotation
``<band>_hr.csv``   the band's own heart rate, once per second; empty where it has none
``session.toml``    the session sheet that joins them
``truth.json``      seed, clocks, faults with doses, activities
``truth_hr.csv``    true heart rate and cadence once per second of the session
``truth_beats.csv`` true beats, their label, and when each pulse arrives at each wrist
==================  =====================================================================
"""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np

from palpate.signals import FloatArray, Recording, Role, Session, Waveform
from palpate.simulation.session import SimulatedSession, Truth

SHEET = "session.toml"
CHUNK_ROWS = 8192
UNIT_SUFFIX = {"counts": "counts", "g": "g", "deg/s": "dps"}
NUMBER_FORMAT = {"counts": "%d", "g": "%.4f", "deg/s": "%.2f"}


def write_session(sim: SimulatedSession, folder: Path | str) -> Path:
    """Write every file of a simulated session and return the path of its sheet."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    for recording in sim.session.recordings:
        if recording.of_role(Role.ECG):
            _write_edf(recording, folder / f"{_stem(recording)}.edf")
        else:
            _write_band(recording, folder)
    _write_truth(sim, folder)
    sheet = folder / SHEET
    sheet.write_text(_sheet(sim.session), encoding="utf-8")
    return sheet


def _write_edf(recording: Recording, path: Path) -> None:
    import edfio  # noqa: PLC0415 - files are the edge; the numeric room must load without it

    signals = []
    for waveform in recording.of_role(Role.ECG):
        limit = float(np.ceil(10.0 * np.abs(waveform.values).max()) / 10.0)
        signals += [
            edfio.EdfSignal(
                column, sampling_frequency=waveform.fs_hz, label=label,
                physical_dimension=waveform.unit, physical_range=(-limit, limit),
            )
            for label, column in zip(waveform.labels, waveform.values.T, strict=True)
        ]  # fmt: skip
    start = recording.start_time
    edf = edfio.Edf(
        signals,
        recording=edfio.Recording(
            startdate=start.date() if start else None, equipment_code="chest_ECG"
        ),
        starttime=start.time() if start else None,
    )
    edf.write(path)


def _write_band(recording: Recording, folder: Path) -> None:
    fs_hz = recording.waveforms[0].fs_hz
    columns = [np.arange(recording.waveforms[0].values.shape[0])[:, np.newaxis] / fs_hz]
    names, formats = ["time_s"], ["%.6f"]
    for waveform in recording.waveforms:
        columns.append(waveform.values)
        names += _column_names(waveform)
        formats += [NUMBER_FORMAT[waveform.unit]] * waveform.values.shape[1]
    _write_rows(folder / f"{_stem(recording)}.csv", names, formats, np.column_stack(columns))
    rate = recording.rates[0]
    lines = ["time_s,hr_bpm"]
    for time_s, hr_bpm in zip(rate.start_s.tolist(), rate.hr_bpm.tolist(), strict=True):
        lines.append(f"{time_s:.0f}," + ("" if np.isnan(hr_bpm) else f"{hr_bpm:.0f}"))
    _write_text(folder / f"{_stem(recording)}_hr.csv", lines)


def _column_names(waveform: Waveform) -> list[str]:
    prefix = "ppg_" if waveform.role is Role.PPG else ""
    return [f"{prefix}{label}_{UNIT_SUFFIX[waveform.unit]}" for label in waveform.labels]


def _write_rows(path: Path, names: list[str], formats: list[str], rows: FloatArray) -> None:
    """Format a chunk of rows by one operation, which is several times faster than row by row."""
    line = ",".join(formats) + "\n"
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.write(",".join(names) + "\n")
        for first in range(0, rows.shape[0], CHUNK_ROWS):
            chunk = rows[first : first + CHUNK_ROWS]
            file.write((line * chunk.shape[0]) % tuple(chunk.ravel().tolist()))


def _write_truth(sim: SimulatedSession, folder: Path) -> None:
    truth = sim.truth
    text = json.dumps(_truth_record(sim), indent=2)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8")
    rates = np.column_stack([truth.time_s, truth.hr_bpm, truth.cadence_per_min])
    names = ["time_s", "hr_bpm", "cadence_per_min"]
    _write_rows(folder / "truth_hr.csv", names, ["%.0f", "%.3f", "%.2f"], rates)
    _write_beats(truth, folder / "truth_beats.csv")


def _truth_record(sim: SimulatedSession) -> dict[str, object]:
    truth = sim.truth
    return {
        "seed": truth.seed,
        "clocks": {name: asdict(clock) for name, clock in truth.clocks.items()},
        "activities": [asdict(activity) for activity in sim.session.activities],
        "faults": [
            {"kind": f.kind, "cause": f.cause, "dose_unit": f.dose_unit, **asdict(f)}
            for f in truth.faults
        ],
    }


def _write_beats(truth: Truth, path: Path) -> None:
    lines = [",".join(["beat_s", "label", *(f"{name}_foot_s" for name in truth.pulse_foot_s)])]
    columns = [
        truth.beats.time_s.tolist(),
        *(foot.tolist() for foot in truth.pulse_foot_s.values()),
    ]
    label = truth.beats.label if truth.beats.label is not None else np.full(len(truth.beats), "")
    for mark, (beat_s, *feet_s) in zip(label.tolist(), zip(*columns, strict=True), strict=True):
        lines.append(",".join([f"{beat_s:.4f}", mark, *(f"{foot_s:.4f}" for foot_s in feet_s)]))
    _write_text(path, lines)


def _sheet(session: Session) -> str:
    parts = [_table("", {"schema": 1, "title": session.title, "notes": session.notes})]
    for recording in session.recordings:
        parts += _recording_tables(recording)
    for activity in session.activities:
        entry = {"name": activity.name, "start_s": activity.start_s, "end_s": activity.end_s}
        parts.append(_table("[[activity]]", entry))
    return "\n".join(parts)


def _recording_tables(recording: Recording) -> list[str]:
    is_ecg = bool(recording.of_role(Role.ECG))
    stem = _stem(recording)
    head: dict[str, object] = {
        "name": recording.name,
        "file": f"{stem}.edf" if is_ecg else f"{stem}.csv",
        "device": recording.device,
        "firmware": recording.firmware,
        "placement": recording.placement,
    }
    if recording.clock_known:
        head["clock_offset_s"] = recording.clock_offset_s
        head["clock_drift_ppm"] = recording.clock_drift_ppm
    tables = [_table("[[recording]]", head)]
    for waveform in recording.waveforms:
        channel: dict[str, object] = {"role": waveform.role.value, "unit": waveform.unit}
        channel["select"] = list(waveform.labels) if is_ecg else _column_names(waveform)
        channel["labels"] = list(waveform.labels)
        if waveform.wavelength_nm:
            channel["wavelength_nm"] = list(waveform.wavelength_nm)
        if not is_ecg:
            channel["time"] = "time_s"
        tables.append(_table("[[recording.channel]]", channel))
    for _ in recording.rates:
        channel = {"role": "heart_rate", "file": f"{stem}_hr.csv", "select": ["hr_bpm"]}
        tables.append(_table("[[recording.channel]]", {**channel, "time": "time_s"}))
    return tables


def _table(header: str, entries: dict[str, object]) -> str:
    """Return one TOML table; JSON's texts, numbers and lists are TOML's as well."""
    lines = [f"{key} = {json.dumps(value)}" for key, value in entries.items()]
    return "\n".join([*([header] if header else []), *lines, ""])


def _write_text(path: Path, lines: list[str]) -> None:
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def _stem(recording: Recording) -> str:
    return recording.name.lower()
