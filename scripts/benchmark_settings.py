"""Ask how far the QRS detector's figures owe to settings chosen on the same records.

Usage: python scripts/benchmark_settings.py --data FOLDER [--only conditions | settings]

FOLDER as for benchmark_detectors.py. Gross Se and +P by the EC57 protocol (150 ms, from 5:00,
fibrillation exempt), F1 at 50 ms over whole records; detector slope. Two tables:

conditions  the records altered: leads swapped (the second alone is the first then), upside
            down, resampled, with generated noise at 12 dB (Moody, Muldrow & Mark 1984), beside
            sleepecg where that is installed. No value was fitted to them, but they were
            looked at when the method was made
settings    every setting that decides in turn: for each record the value with the fewest
            errors on all *other* records (leave-one-record-out), scored on that record. A
            setting fitted to these records would lose here.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from unittest.mock import patch

from benchmark_detectors import (
    CANDIDATES,
    Candidate,
    Record,
    accuracy_row,
    gross_figures,
    print_row,
    read_record,
    records_folder,
    run,
)
from palpate.conditioning import resample
from palpate.ecg import beat_path, slope
from palpate.evaluation.detector_scoring import DetectorScore
from palpate.evaluation.ec57_statistics import gross_statistics
from palpate.evaluation.noise_stress import add_noise, generated_noise
from palpate.io.wfdb_annotations import annotated_records

NOISE_DB = 12.0
COLUMNS = ("Se", "+P", "F1 50 ms")
OURS = [each for each in CANDIDATES if each.label == "palpate slope"]  # first lead, all leads
OUTSIDE = [each for each in CANDIDATES if each.label == "sleepecg"]
SETTINGS: tuple[tuple[ModuleType, str, tuple[float, ...]], ...] = (
    (slope, "_UNDECIDED", (0.15, 0.2, 0.25, 0.3)),
    (slope, "_DEPTH", (0.7, 0.85, 1.0)),
    (slope, "_NOISE_OVER_FLOOR", (2.0, 3.0, 4.0)),
    (slope, "_SHADOW", (1.0, 2.0, 3.0)),
    (slope, "_STRENGTH_SLOPE", (3.0, 4.0, 5.0)),
    (slope, "_UNDECIDED_SHAPE", (0.65, 0.7, 0.75)),
    (slope, "_SHAPE_SLOPE", (6.0, 8.0, 10.0)),
    (slope, "_RHYTHM_CLARITY", (4.0, 6.0, 8.0)),
    (beat_path, "_IRREGULAR", (0.05, 0.1, 0.2)),
    (beat_path, "_UNEQUAL_RATIO", (1.25, 1.5, 1.75)),
)


def main() -> None:
    """Print one table or both."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--only", choices=("conditions", "settings"))
    options = parser.parse_args()
    folder = records_folder(options.data)
    records = [read_record(folder / name) for name in annotated_records(folder)]
    print(f"{len(records)} records: {' '.join(record.name for record in records)}")
    if options.only != "settings":
        print_conditions(records)
    if options.only != "conditions":
        for candidate in OURS:
            print_settings(candidate, records)


def print_conditions(records: Sequence[Record]) -> None:
    """Run our detector and an outside one on records that are altered."""
    print("\nThe same records, altered")
    header: tuple[str, ...] | None = ("condition", "detector", "leads", *COLUMNS)
    for name, altered in CONDITIONS.items():
        changed = [altered(record) for record in records]
        for candidate in (*OURS, *OUTSIDE):
            label, leads, *figures = accuracy_row(candidate, changed)
            print_row((name, label, leads, *figures[: len(COLUMNS)]), header)
            header = None


def second_lead(record: Record) -> Record:
    """Return the record with its leads the other way round."""
    return replace(record, ecg=record.ecg[:, ::-1])


def inverted(record: Record) -> Record:
    """Return the record upside down."""
    return replace(record, ecg=-record.ecg)


def resampled(to_hz: float) -> Callable[[Record], Record]:
    """Return what brings a record to another rate."""

    def altered(record: Record) -> Record:
        return replace(
            record, ecg=resample(record.ecg, fs_hz=record.fs_hz, to_hz=to_hz), fs_hz=to_hz
        )

    return altered


def noisy(kind: str) -> Callable[[Record], Record]:
    """Return what adds generated noise to a record, another one to each."""

    def altered(record: Record) -> Record:
        n_samples, n_leads = record.ecg.shape
        noise = generated_noise(
            kind, n_samples, fs_hz=record.fs_hz, channels=n_leads, seed=sum(record.name.encode())
        )
        beat_s = record.reference.time_s[record.reference.is_beat]
        ecg = add_noise(record.ecg, noise, beat_s, fs_hz=record.fs_hz, snr_db=NOISE_DB)
        return replace(record, ecg=ecg)

    return altered


CONDITIONS: dict[str, Callable[[Record], Record]] = {
    "leads swapped": second_lead,
    "inverted": inverted,
    "128 Hz": resampled(128.0),
    "250 Hz": resampled(250.0),
    "1000 Hz": resampled(1000.0),
    "baseline 12 dB": noisy("baseline"),
    "muscle 12 dB": noisy("muscle"),
    "electrode 12 dB": noisy("electrode"),
}


def print_settings(candidate: Candidate, records: Sequence[Record]) -> None:
    """Choose every setting, then any one of them, without the record that is scored."""
    leads = "all leads" if candidate.both_leads else "first lead"
    print(f"\n{candidate.label}, {leads}, settings chosen leave-one-record-out")
    shipped = [scored(candidate, record) for record in records]
    print_row(("as it is", "", *gross_figures(shipped)), ("setting", "values chosen", *COLUMNS))
    every: dict[str, list[DetectorScore]] = {"as it is": shipped}
    for module, name, values in SETTINGS:
        tried = {}
        for value in values:
            with patch.object(module, name, value):
                tried[f"{value:g}"] = [scored(candidate, record) for record in records]
        print_row((name.strip("_"), *left_out(tried)), None)
        every |= {f"{name.strip('_')} {value}": scores for value, scores in tried.items()}
    print_row(("any one of them", *left_out(every)), None)


def scored(candidate: Candidate, record: Record) -> DetectorScore:
    """Return the score of one record, run once."""
    return run(replace(candidate, slow=True), record)[0]


def left_out(tried: dict[str, list[DetectorScore]]) -> tuple[str, ...]:
    """Return the values chosen, how often, and the figures of the records left out."""
    errors = {value: [n_errors(score) for score in scores] for value, scores in tried.items()}
    chosen = [
        min(tried, key=lambda value: sum(errors[value]) - errors[value][i])
        for i in range(len(next(iter(errors.values()))))
    ]
    counts = Counter(chosen).most_common()
    scores = [tried[value][i] for i, value in enumerate(chosen)]
    return (", ".join(f"{value} ({n}x)" for value, n in counts), *gross_figures(scores))


def n_errors(score: DetectorScore) -> int:
    """Return how many beats are missed and marks false."""
    gross = gross_statistics([score.ec57.counts])
    ratios = (gross.qrs_sensitivity, gross.qrs_positive_predictivity)
    return sum(ratio.denominator - ratio.numerator for ratio in ratios)


if __name__ == "__main__":
    main()
