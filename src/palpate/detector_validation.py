"""Run a beat detector over annotated records: the joint of reading, detecting and scoring."""

from __future__ import annotations

import contextlib
import multiprocessing
import signal
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TypeAlias

import numpy as np

from palpate.conditioning import resample
from palpate.evaluation.annotations import BEAT_CLASS, Annotations
from palpate.evaluation.detector_scoring import (
    DetectorScore,
    Stretch,
    score_detector,
    worst_stretches,
)
from palpate.evaluation.ec57 import LEARNING_S
from palpate.evaluation.matching import EC57_WINDOW_S
from palpate.evaluation.noise_stress import SNR_DB, add_noise, generated_noise
from palpate.io.raw import RawFile
from palpate.io.wfdb_annotations import annotated_records, read_annotations
from palpate.io.wfdb_record import open_wfdb
from palpate.named_detectors import OWN, Detector, detections, find_detector
from palpate.signals import BoolArray, FloatArray, StrArray
from palpate.validation import InputError, about

ALL_LEADS = "all"
GENERATED_NOISE = "generated:"
STRETCHES_PER_RECORD = 4
# The noise recipe measures the signal at all beats but ventricular and fusion beats.
_MEASURED_CLASSES = ("N", "S", "Q")


@dataclass(frozen=True, slots=True)
class Options:
    """What to run on what.

    Parameters
    ----------
    detector
        A name as :mod:`palpate.named_detectors` describes.
    lead
        ``"0"``, ``"1"``, ... or ``"all"``.
    annotator
        Extension of the reference annotations.
    learning_s, window_s
        EC57 fixes 300 s and 0.15 s.
    noise
        For the noise stress: a WFDB record's path without extension, or
        ``generated:KIND``; empty for a plain run.
    snr_db
        Ratios to test at.
    seed
        Of generated noise.
    """

    detector: str = OWN
    lead: str = "0"
    annotator: str = "atr"
    learning_s: float = LEARNING_S
    window_s: float = EC57_WINDOW_S
    noise: str = ""
    snr_db: tuple[float, ...] = SNR_DB
    seed: int = 0


_Task: TypeAlias = tuple[Path, Options]


@dataclass(frozen=True, slots=True, eq=False)
class Excerpt:
    """A stretch with its ECG ``(n, leads)``, its beats and detections, in record seconds."""

    record: str
    lead: str
    stretch: Stretch
    fs_hz: float
    unit: str
    ecg: FloatArray
    reference_s: FloatArray
    symbol: StrArray
    estimate_s: FloatArray
    missed_s: FloatArray
    extra_s: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class RecordRun:
    """One record, scored; ``failure`` says why there is no score, else it is empty.

    ``runtime_s`` is the detector's own time, without reading and scoring. ``snr_db`` is
    NaN without added noise, and only then there are excerpts.
    """

    record: str
    lead: str
    snr_db: float
    duration_s: float
    runtime_s: float = float("nan")
    score: DetectorScore | None = None
    worst: tuple[Excerpt, ...] = ()
    failure: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class _AnnotatedEcg:
    """A record in memory: ``ecg`` is ``(n,)``, or ``(n, leads)`` for all."""

    name: str
    lead: str
    unit: str
    ecg: FloatArray
    fs_hz: float
    reference: Annotations
    snr_db: float = float("nan")


def validate_detector(
    folder: Path, options: Options, *, records: Sequence[str] = (), workers: int = 1
) -> Iterator[RecordRun]:
    """Yield the score of one record after another, in the folder's order.

    With ``options.noise`` every record comes once without noise, then once per ratio.

    Raises
    ------
    InputError
        If the folder, a record, the noise or the detector is not there. A detector that
        fails on one record does not stop the others: the run says why.
    """
    find_detector(options.detector)
    tasks = [(folder / name, options) for name in records_to_run(folder, options, records)]
    if workers <= 1:
        for task in tasks:
            yield from _run(task)
    else:
        yield from _run_in_parallel(tasks, min(workers, len(tasks)))


def _run_in_parallel(tasks: Sequence[_Task], workers: int) -> Iterator[RecordRun]:
    """Deal the tasks out to processes and collect the results in the same order.

    Fresh processes, since a fork would inherit the threads of numerical libraries; and
    pipes instead of an executor, so that an interrupt or a dead worker cannot hang.
    """
    context = multiprocessing.get_context("spawn")
    lanes = []
    try:
        for share in (tasks[first::workers] for first in range(workers)):
            receiver, sender = context.Pipe(duplex=False)
            process = context.Process(target=_work, args=(share, sender), daemon=True)
            with _interrupts_ignored():
                process.start()
            sender.close()
            lanes.append((process, receiver))
        for index in range(len(tasks)):
            yield from _received(lanes[index % workers][1])
    finally:
        for process, receiver in lanes:
            process.terminate()
            process.join()
            receiver.close()


def _work(share: Sequence[_Task], sender: Connection) -> None:
    """Run tasks in a worker process; send what comes out, or the sentence that says why not."""
    for task in share:
        try:
            sender.send(_run(task))
        except InputError as fault:
            sender.send(fault)


def _received(receiver: Connection) -> list[RecordRun]:
    try:
        received: list[RecordRun] | InputError = receiver.recv()
    except EOFError:
        raise InputError(
            "a worker process died, for want of memory or through the detector; use --workers 1"
        ) from None
    if isinstance(received, InputError):
        raise received
    return received


@contextlib.contextmanager
def _interrupts_ignored() -> Iterator[None]:
    """Start processes in here, and they inherit deafness to Ctrl-C: the parent answers it."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    heeded = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, heeded)


def records_to_run(folder: Path, options: Options, wanted: Sequence[str] = ()) -> Sequence[str]:
    """Return ``wanted``, checked against the folder, or all of its annotated records."""
    present = annotated_records(folder, annotator=options.annotator)
    absent = [name for name in wanted if name not in present]
    if absent:
        raise InputError(f"{folder} has no annotated record {', '.join(absent)}")
    return wanted or present


def _run(task: _Task) -> list[RecordRun]:
    """Score one record, without noise and at every ratio."""
    path, options = task
    record = _read(path, options)
    detector = find_detector(options.detector)
    runs = [_scored(record, detector, options)]
    if options.noise:
        noise = _read_noise(options, record.ecg.shape[0], record.fs_hz)
        reference = record.reference
        measured = [BEAT_CLASS.get(symbol) in _MEASURED_CLASSES for symbol in reference.symbol]
        for snr_db in options.snr_db:
            with about("record", record.name):
                noisy = add_noise(
                    record.ecg, noise, reference.time_s[measured], fs_hz=record.fs_hz, snr_db=snr_db
                )
            runs.append(_scored(replace(record, ecg=noisy, snr_db=snr_db), detector, options))
    return runs


def _read(path: Path, options: Options) -> _AnnotatedEcg:
    raw = open_wfdb(path)
    chosen = _channels(raw, path.name, options.lead)
    block = raw.read([chosen])[0]
    columns = read_annotations(path, annotator=options.annotator, fs_hz=block.fs_hz)
    return _AnnotatedEcg(
        name=path.name,
        lead=" + ".join(raw.channels[i].name for i in chosen),
        unit=raw.channels[chosen[0]].unit,
        ecg=block.values if options.lead == ALL_LEADS else block.values[:, 0],
        fs_hz=block.fs_hz,
        reference=Annotations(*columns),
    )


def _channels(raw: RawFile, name: str, lead: str) -> list[int]:
    if lead == ALL_LEADS:
        return list(raw.signals)
    if lead.isdigit() and int(lead) < len(raw.signals):
        return [int(lead)]
    raise InputError(
        f"record {name} has no lead {lead!r}; it has 0 to {len(raw.signals) - 1}, or all"
    )


def _read_noise(options: Options, n_samples: int, fs_hz: float) -> FloatArray:
    if options.noise.startswith(GENERATED_NOISE):
        kind = options.noise.removeprefix(GENERATED_NOISE)
        return generated_noise(kind, n_samples, fs_hz=fs_hz, seed=options.seed)
    raw = open_wfdb(Path(options.noise))
    block = raw.read([raw.signals])[0]
    return resample(block.values, fs_hz=block.fs_hz, to_hz=fs_hz)


def _scored(record: _AnnotatedEcg, detector: Detector, options: Options) -> RecordRun:
    duration_s = record.ecg.shape[0] / record.fs_hz
    unscored = RecordRun(record.name, record.lead, record.snr_db, duration_s)
    started = time.perf_counter()
    try:
        found = detections(detector, record.ecg, record.fs_hz)
    except InputError as fault:
        return replace(unscored, failure=str(fault))
    except (Exception, SystemExit) as fault:  # a stranger's detector may raise anything, or leave
        sentence = " ".join(str(fault).split())
        return replace(unscored, failure=f"{type(fault).__name__}: {sentence}")
    runtime_s = time.perf_counter() - started
    with about("record", record.name):
        score = score_detector(
            record.reference,
            found / record.fs_hz,
            fs_hz=record.fs_hz,
            end_s=duration_s,
            learning_s=options.learning_s,
            window_s=options.window_s,
        )
    count = STRETCHES_PER_RECORD if np.isnan(record.snr_db) else 0
    stretches = worst_stretches(score.ec57, count=count, end_s=duration_s)
    worst = tuple(_excerpt(record, score, stretch) for stretch in stretches)
    return replace(unscored, runtime_s=runtime_s, score=score, worst=worst)


def _excerpt(record: _AnnotatedEcg, score: DetectorScore, stretch: Stretch) -> Excerpt:
    """Cut a stretch out, with the leads that the detector saw."""
    first, last = (round(edge * record.fs_hz) for edge in (stretch.start_s, stretch.end_s))
    reference, result = record.reference, score.ec57
    beat = reference.is_beat & _within(reference.time_s, stretch)
    times = {
        "estimate_s": result.estimate_s,
        "missed_s": result.reference_s[np.isnan(result.estimate_s)],
        "extra_s": result.estimate_s[np.isnan(result.reference_s)],
    }
    return Excerpt(
        record=record.name,
        lead=record.lead,
        stretch=stretch,
        fs_hz=record.fs_hz,
        unit=record.unit,
        ecg=record.ecg[first:last].reshape(last - first, -1).copy(),
        reference_s=reference.time_s[beat],
        symbol=reference.symbol[beat],
        **{name: each[_within(each, stretch)] for name, each in times.items()},
    )


def _within(times_s: FloatArray, stretch: Stretch) -> BoolArray:
    return np.asarray((times_s >= stretch.start_s) & (times_s < stretch.end_s))
