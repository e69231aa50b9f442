"""Measure QRS detectors side by side on annotated records: accuracy, timing error, speed.

Usage: python scripts/benchmark_detectors.py --data FOLDER [--fast] [--csv FILE]

FOLDER holds WFDB records with .atr annotations (whatever lie there), or holds
datasets/mitdb as PALPATE_DATA does. One run, one thread; a library that is not installed
gets a row that says so; --fast leaves out those that need seconds per record.

Se, +P      gross, per cent: EC57 sequential comparison, 150 ms, from 5:00, fibrillation
            exempt (ANSI/AAMI EC57)
F1 50 ms    per cent over the whole records, optimal matching, no correction of any bias
RR 100      RMS error of RR intervals in record 100, ms, as EC57 defines it
ms          median time per record; of each record the shortest of the repeated runs. Memory
            given back and fetched again is part of it: where the process keeps it (glibc:
            MALLOC_TRIM_THRESHOLD_, MALLOC_MMAP_THRESHOLD_ and MALLOC_TOP_PAD_ at 1 GiB), all
            are faster, and not by the same factor

Shared errors: beats that slope and another detector both miss, and detections of both where no
beat is, first lead, within 150 ms of each other; and how many independent errors would share: the
product of the two counts over the number of beats, summed over records.

Noise: record 118, first lead, with the electrode-motion noise of the MIT-BIH Noise Stress
Test Database recovered from 118e06 and scaled (Moody, Muldrow & Mark 1984), F1 at 150 ms
from 5:00. It is left out where nstdb_partial/ does not lie beside the records.
"""

from __future__ import annotations

import os

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_threads] = "1"  # before numpy is imported

import argparse  # noqa: E402
import csv  # noqa: E402
import importlib.util  # noqa: E402
import time  # noqa: E402
import warnings  # noqa: E402
from collections.abc import Callable, Iterator, Sequence  # noqa: E402
from dataclasses import dataclass  # noqa: E402
from pathlib import Path  # noqa: E402

import numpy as np  # noqa: E402
from numpy.typing import ArrayLike  # noqa: E402

from palpate.ecg import detect_qrs  # noqa: E402
from palpate.evaluation.annotations import Annotations  # noqa: E402
from palpate.evaluation.detector_scoring import DetectorScore, score_detector  # noqa: E402
from palpate.evaluation.ec57_statistics import gross_statistics  # noqa: E402
from palpate.evaluation.matching import EC57_WINDOW_S  # noqa: E402
from palpate.io.wfdb_annotations import annotated_records, read_annotations  # noqa: E402
from palpate.io.wfdb_record import open_wfdb  # noqa: E402
from palpate.named_detectors import detections, find_detector  # noqa: E402
from palpate.signals import FloatArray  # noqa: E402

Detector = Callable[[FloatArray, float], ArrayLike]
Runs = Sequence[tuple[DetectorScore, float]]
SNR_DB = (24, 12, 6, 0, -6)
NOISE_RECORD, NOISE_STEM, NOISE_STEM_DB = "118", "118e06", 6
RR_RECORD = "100"
FAST_RUNS = 3


@dataclass(frozen=True)
class Record:
    """An annotated record, all leads ``(n, k)``."""

    name: str
    ecg: FloatArray
    fs_hz: float
    reference: Annotations

    @property
    def end_s(self) -> float:
        """Length in seconds."""
        return float(self.ecg.shape[0] / self.fs_hz)


@dataclass(frozen=True)
class Candidate:
    """A detector with what it needs and how it is run."""

    label: str
    package: str
    run: Detector
    slow: bool = False
    both_leads: bool = False


def main() -> None:
    """Read the records, run every detector and print three tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--fast", action="store_true", help="leave out the slow libraries")
    parser.add_argument("--csv", type=Path, help="also write the first table here")
    options = parser.parse_args()
    folder = records_folder(options.data)
    records = [read_record(folder / name) for name in annotated_records(folder)]
    candidates = [each for each in CANDIDATES if not (options.fast and each.slow)]
    print(f"{len(records)} records: {' '.join(record.name for record in records)}\n")
    table: list[tuple[str, ...]] = [COLUMNS]
    on_first_lead: dict[str, Runs] = {}
    for candidate in candidates:
        runs = run_all(candidate, records)
        table.append(row_of(candidate, records, runs))
        print_row(table[-1], COLUMNS if len(table) == 2 else None)
        if runs and not candidate.both_leads:
            on_first_lead[candidate.label] = runs
    print("\nErrors shared with slope")
    slope = on_first_lead.pop(SLOPE)
    for i, (label, runs) in enumerate(on_first_lead.items()):
        print_row((label, *shared_errors(slope, runs)), SHARED_COLUMNS if i == 0 else None)
    noisy = list(noisy_records(folder.parent / "nstdb_partial", records))
    if noisy:
        print(f"\n{NOISE_RECORD} with electrode-motion noise, F1 at 150 ms from 5:00")
        header = ("detector", *(f"{snr_db} dB" for snr_db in SNR_DB))
        for i, candidate in enumerate(c for c in candidates if not c.both_leads):
            print_row(noise_row(candidate, noisy), header if i == 0 else None)
    if options.csv:
        with options.csv.open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows(table)


SLOPE = "palpate slope"
COLUMNS = ("detector", "leads", "Se", "+P", "F1 50 ms", "RR 100", "ms")
_WHOSE = ("slope", "it", "both", "independent")
SHARED_COLUMNS = (
    "detector",
    *(f"{what}, {whose}" for what in ("missed", "extra") for whose in _WHOSE),
)


def accuracy_row(candidate: Candidate, records: Sequence[Record]) -> tuple[str, ...]:
    """Run a detector on every record and return its row of the table."""
    return row_of(candidate, records, run_all(candidate, records))


def run_all(candidate: Candidate, records: Sequence[Record]) -> Runs:
    """Return the score and the time of every record; nothing if it is not installed."""
    if importlib.util.find_spec(candidate.package) is None:
        return []
    return [run(candidate, record) for record in records]


def row_of(candidate: Candidate, records: Sequence[Record], runs: Runs) -> tuple[str, ...]:
    """Return a detector's row of the table."""
    leads = "all" if candidate.both_leads else "first"
    if not runs:
        return (candidate.label, leads, "not installed", *[""] * (len(COLUMNS) - 3))
    scores, seconds = zip(*runs, strict=True)
    rr_ms = [
        1e3 * score.ec57.rr_error_rms_s
        for score, record in zip(scores, records, strict=True)
        if record.name == RR_RECORD
    ]
    return (
        candidate.label,
        leads,
        *gross_figures(scores),
        f"{rr_ms[0]:.2f}" if rr_ms else "",
        f"{1e3 * float(np.median(seconds)):.1f}",
    )


def shared_errors(first: Runs, second: Runs) -> tuple[str, ...]:
    """Return missed beats and extra detections: of either, of both, of both by chance."""
    total = np.zeros((2, 4))
    for (one, _), (other, _) in zip(first, second, strict=True):
        beats = np.count_nonzero(np.isfinite(one.ec57.reference_s))
        for kind, (here, there) in enumerate(zip(errors_s(one), errors_s(other), strict=True)):
            near = np.abs(here[:, np.newaxis] - there) <= EC57_WINDOW_S
            both = np.count_nonzero(near.any(axis=1))
            total[kind] += here.size, there.size, both, here.size * there.size / beats
    return tuple(f"{count:.1f}".removesuffix(".0") for count in total.ravel())


def errors_s(score: DetectorScore) -> tuple[FloatArray, FloatArray]:
    """Return the times of missed beats and of extra detections, in seconds."""
    found = score.ec57
    missed = found.reference_s[np.isnan(found.estimate_s)]
    return missed, found.estimate_s[np.isnan(found.reference_s)]


def gross_figures(scores: Sequence[DetectorScore]) -> tuple[str, str, str]:
    """Return gross Se and +P and F1 at 50 ms, per cent."""
    gross = gross_statistics([score.ec57.counts for score in scores])
    hits = sum(score.strict_f1.numerator for score in scores)
    marks = sum(score.strict_f1.denominator for score in scores)
    return (
        f"{gross.qrs_sensitivity.percent:.2f}",
        f"{gross.qrs_positive_predictivity.percent:.2f}",
        f"{100.0 * hits / marks:.2f}",
    )


def run(candidate: Candidate, record: Record) -> tuple[DetectorScore, float]:
    """Return the score of one record and the time it took, in seconds."""
    ecg = record.ecg if candidate.both_leads else np.ascontiguousarray(record.ecg[:, 0])
    seconds = np.inf
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for _ in range(1 if candidate.slow else FAST_RUNS):
            started = time.perf_counter()
            found = detections(candidate.run, ecg, record.fs_hz)
            seconds = min(seconds, time.perf_counter() - started)
    score = score_detector(
        record.reference, found / record.fs_hz, fs_hz=record.fs_hz, end_s=record.end_s
    )
    return score, seconds


def noise_row(candidate: Candidate, noisy: Sequence[Record]) -> tuple[str, ...]:
    """Return F1 at 150 ms for every level of noise."""
    if importlib.util.find_spec(candidate.package) is None:
        return (candidate.label, "not installed", *[""] * (len(SNR_DB) - 1))
    f1 = []
    for record in noisy:
        gross = gross_statistics([run(candidate, record)[0].ec57.counts])
        f1.append(f"{gross.qrs_f1.percent:.2f}")
    return (candidate.label, *f1)


def noisy_records(folder: Path, records: Sequence[Record]) -> Iterator[Record]:
    """Yield the noise record at every level, where its parts are at hand."""
    clean = {record.name: record for record in records}.get(NOISE_RECORD)
    if clean is None or not (folder / f"{NOISE_STEM}.hea").is_file():
        return
    noise = read_record(folder / NOISE_STEM).ecg - clean.ecg
    noise -= noise[0]  # the two headers count from different baselines; noise starts at 5:00
    for snr_db in SNR_DB:
        ecg = clean.ecg + noise * 10.0 ** ((NOISE_STEM_DB - snr_db) / 20.0)
        yield Record(f"{clean.name} {snr_db} dB", ecg, clean.fs_hz, clean.reference)


def records_folder(data: Path) -> Path:
    """Return the folder of annotated records in ``data``, which may be that folder."""
    folder = data / "datasets" / "mitdb"
    return folder if folder.is_dir() else data


def read_record(path: Path) -> Record:
    """Read all leads and annotations of a WFDB record, named without extension."""
    raw = open_wfdb(path)
    block = raw.read([range(len(raw.channels))])[0]
    columns = read_annotations(path, annotator="atr", fs_hz=block.fs_hz)
    return Record(path.name, block.values, block.fs_hz, Annotations(*columns))


def print_row(row: Sequence[str], header: Sequence[str] | None) -> None:
    """Print a row of a Markdown table, and the header before the first."""
    if header is not None:
        print("| " + " | ".join(header) + " |")
        print("| " + " | ".join("---" for _ in header) + " |")
    print("| " + " | ".join(row) + " |", flush=True)


def _sleepecg(ecg: FloatArray, fs_hz: float) -> ArrayLike:
    from sleepecg import heartbeats  # noqa: PLC0415 - optional

    found: ArrayLike = heartbeats.detect_heartbeats(ecg, fs_hz)
    return found


def _xqrs(ecg: FloatArray, fs_hz: float) -> ArrayLike:
    from wfdb import processing  # noqa: PLC0415 - optional

    found: ArrayLike = processing.xqrs_detect(ecg, fs_hz, verbose=False)
    return found


def _gqrs(ecg: FloatArray, fs_hz: float) -> ArrayLike:
    from wfdb import processing  # noqa: PLC0415 - optional

    # gqrs counts in ADC units; MIT-BIH has 200 of them per mV, 1024 being zero.
    digital = np.round(ecg * 200.0).astype(np.int64)
    found: ArrayLike = processing.gqrs_detect(d_sig=digital, fs=fs_hz, adc_gain=200.0, adc_zero=0)
    return found


def _ours(method: str) -> Detector:
    return lambda ecg, fs_hz: detect_qrs(ecg, fs_hz=fs_hz, method=method)


CANDIDATES = (
    Candidate("sleepecg", "sleepecg", _sleepecg),
    Candidate("wfdb xqrs", "wfdb", _xqrs, slow=True),
    Candidate("wfdb gqrs", "wfdb", _gqrs, slow=True),
    Candidate("neurokit2 default", "neurokit2", find_detector("neurokit:neurokit")),
    Candidate("neurokit2 khamis2016", "neurokit2", find_detector("neurokit:khamis2016"), slow=True),
    Candidate(SLOPE, "palpate", _ours("slope")),
    Candidate("palpate wavelet", "palpate", _ours("wavelet")),
    Candidate(SLOPE, "palpate", _ours("slope"), both_leads=True),
    Candidate("palpate wavelet", "palpate", _ours("wavelet"), both_leads=True),
)

if __name__ == "__main__":
    main()
