"""Beat-by-beat comparison of two annotation streams by the rule of ANSI/AAMI EC57.

Task
----
Given a record's reference annotations and those of a detector, count for every pair of
beat classes how often one was called the other, which beats were missed, which were
extra, and how far the RR intervals differ.

Source
------
ANSI/AAMI EC38 and EC57 name an open reference program, ``bxb`` of the WFDB software
(G. B. Moody), for quotable numbers; the rule here reproduces that program's matrices.
The text of the standards themselves was not at hand.

Conventions
-----------
* Reference first. Classes N, S, V, F, Q; the pseudo-classes O (nothing there) and X
  (nothing there because the other stream had shut down) complete the 7 × 7 matrix.
* The first 5 minutes are a learning period and are not scored.
* The match window is 150 ms, rounded to whole samples, inclusive.
* A stretch between the reference annotations ``[`` and ``]`` (ventricular flutter or
  fibrillation) is exempt: nothing detected there counts.
* A ``~`` annotation whose subtype has bits 4 and 5 set starts a shutdown, the next ``~``
  without them ends it.

Deviations from the reference program
-------------------------------------
* Annotations come in seconds; they are put back on the grid of ``fs_hz`` before anything
  is compared, so that ties are exact.
* Without a learning period a detection at sample 0 is scored; the program swallows it.
* A fibrillation mark that is never ended lasts to the end of the record.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from palpate.evaluation.annotations import (
    ESTIMATE_CLASSES,
    NEVER,
    REFERENCE_CLASSES,
    Annotations,
    BeatStream,
    Span,
    read_stream,
    whole_sample,
)
from palpate.evaluation.ec57_statistics import BeatStatistics, beat_statistics
from palpate.evaluation.matching import EC57_WINDOW_S
from palpate.signals import FloatArray, IntArray, StrArray
from palpate.validation import InputError, checked_rate

LEARNING_S = 300.0
_O, _X = REFERENCE_CLASSES.index("O"), REFERENCE_CLASSES.index("X")


@dataclass(frozen=True, slots=True, eq=False)
class Ec57Result:
    """What the comparison of one record counted.

    Parameters
    ----------
    counts
        ``(7, 7)``: row = reference class, column = class given by the detector, in the
        order N S V F Q O X. The corner of pseudo-classes stays 0.
    rr_error_rms_s
        Root mean square of the difference of the RR intervals that end at the present
        beats, over every counted event. Missed and extra beats inflate it. NaN if
        there is no interval.
    n_rr
        How many differences that is.
    shutdown_s
        How long the detector had shut down, seconds; a shutdown that is never ended counts
        only if the record's length is known.
    reference_s, estimate_s
        ``(n_events,)`` seconds of the beats of every counted event; NaN where that side
        has none.
    reference_class, estimate_class
        ``(n_events,)`` one letter each, from :data:`REFERENCE_CLASSES` and
        :data:`ESTIMATE_CLASSES`.
    """

    counts: IntArray
    rr_error_rms_s: float
    n_rr: int
    shutdown_s: float
    reference_s: FloatArray
    estimate_s: FloatArray
    reference_class: StrArray
    estimate_class: StrArray

    @property
    def statistics(self) -> BeatStatistics:
        """The statistics of this record alone."""
        return beat_statistics(self.counts)

    @property
    def matched(self) -> NDArray[np.bool_]:
        """``(n_events,)`` True where a reference beat and a detection were paired."""
        return np.isfinite(self.reference_s) & np.isfinite(self.estimate_s)

    @property
    def timing_error_s(self) -> FloatArray:
        """``(n_matched,)`` estimate − reference of the paired beats, seconds."""
        return np.asarray((self.estimate_s - self.reference_s)[self.matched])


def compare_ec57(
    reference: Annotations,
    estimate: Annotations | ArrayLike,
    *,
    fs_hz: float,
    end_s: float | None = None,
    learning_s: float = LEARNING_S,
    window_s: float = EC57_WINDOW_S,
) -> Ec57Result:
    """Compare a detector's beats with the reference, beat by beat.

    Parameters
    ----------
    reference
        The record's annotations, non-beats included (fibrillation and shutdown marks
        are needed).
    estimate
        The detector's annotations, or its beat times ``(m,)`` in seconds.
    fs_hz
        Rate of the annotation clock; the match window is a whole number of its samples.
    end_s
        Length of the record; without it scoring ends at the last reference beat.
    learning_s, window_s
        Settable for development; the standard fixes 300 s and 0.15 s.

    Raises
    ------
    InputError
        If times are not sorted or finite, or a span makes no sense.
    """
    fs_hz = checked_rate(fs_hz)
    if not isinstance(estimate, Annotations):
        estimate = Annotations.of_beats(estimate)
    if not (learning_s >= 0 and window_s > 0):
        raise InputError("learning_s must be 0 or more and window_s above 0, in seconds")
    start, window = whole_sample(learning_s * fs_hz), whole_sample(window_s * fs_hz)
    end = None if end_s is None else whole_sample(end_s * fs_hz)
    if end is not None and end < start:
        raise InputError(
            f"the record ends at {end_s:g} s, inside its learning period of {learning_s:g} s; "
            "score it with a shorter learning period"
        )
    ours, theirs = (read_stream(each, fs_hz, window) for each in (reference, estimate))
    events = _events(ours, theirs, window=window, start=start, end=end)
    labelled = [_labelled(ours, theirs, i, j, kind) for i, j, kind in events]
    return _result(labelled, theirs, fs_hz, end)


class _Event(NamedTuple):
    """One counted pair: sample and class on either side (-1 where nothing is), RR error."""

    reference: int
    estimate: int
    row: int
    column: int
    rr_error: int | None


class _Kind(Enum):
    MATCH = "match"
    EXTRA = "extra"
    MISSED = "missed"


def _events(
    ref: BeatStream, est: BeatStream, *, window: int, start: int, end: int | None
) -> Iterator[tuple[int, int, _Kind]]:
    """Walk both streams with one beat of look-ahead; yield the current beats and a verdict."""
    i, j, matched = _first_beats(ref, est, window, start)
    if matched:
        yield i - 1, j - 1, _Kind.MATCH
    while _goes_on(ref.time(i), est.time(j), end):
        t_ref, t_est = ref.time(i), est.time(j)
        next_ref, next_est = ref.time(i + 1), est.time(j + 1)
        # The earlier beat's pairing must beat the pairing of the later one with the
        # beat after the earlier; at rates above 200 per minute the next two may pair.
        rival = abs(t_ref - next_est) if t_est < t_ref else abs(t_est - next_ref)
        near = abs(t_ref - t_est)
        if near <= window and (near < rival or abs(next_ref - next_est) < rival):
            yield i, j, _Kind.MATCH
            i, j = i + 1, j + 1
        elif t_est < t_ref:
            yield i, j, _Kind.EXTRA
            j += 1
        else:
            yield i, j, _Kind.MISSED
            i += 1


def _first_beats(
    ref: BeatStream, est: BeatStream, window: int, start: int
) -> tuple[int, int, bool]:
    """Return where scoring starts, and whether the beats just before it are a pair.

    The last detection of the learning period may belong to the first scored beat; an
    early extra detection within a window of the start is not held against the detector.
    """
    i, j = bisect_left(ref.tick, start), bisect_left(est.tick, start)
    t_ref, after = ref.time(i), est.time(j)
    last = est.tick[j - 1] if j > 0 else -NEVER
    if t_ref - last <= window and t_ref - last < abs(t_ref - after):
        return i + 1, j, True
    if start > 0 and after - start <= window and abs(t_ref - est.time(j + 1)) < abs(t_ref - after):
        j += 1
    return i, j, False


def _goes_on(t_ref: int, t_est: int, end: int | None) -> bool:
    if end is None:
        return t_ref != NEVER
    return t_ref <= end or t_est <= end


def _labelled(ref: BeatStream, est: BeatStream, i: int, j: int, kind: _Kind) -> _Event:
    """Give the classes of an event; row -1 if it does not count (fibrillation)."""
    t_ref, t_est = ref.time(i), est.time(j)
    rr, rr_est = ref.interval(i), est.interval(j)
    rr_error = rr - rr_est if rr > 0 and rr_est > 0 else None
    if kind is _Kind.MATCH:
        return _Event(t_ref, t_est, ref.label[i], est.label[j], rr_error)
    if kind is _Kind.MISSED:
        off = est.in_shutdown(j, t_ref)
        return _Event(t_ref, -1, ref.label[i], _X if off else _O, rr_error)
    if ref.in_fibrillation(i, t_est):
        return _Event(-1, t_est, -1, est.label[j], rr_error)
    off = ref.in_shutdown(i, t_est)
    return _Event(-1, t_est, _X if off else _O, est.label[j], rr_error)


def _result(events: list[_Event], est: BeatStream, fs_hz: float, end: int | None) -> Ec57Result:
    """Sum the events up."""
    errors = np.array([e.rr_error for e in events if e.rr_error is not None], dtype=np.float64)
    table = np.array(
        [(e.reference, e.estimate, e.row, e.column) for e in events if e.row >= 0], dtype=np.int64
    ).reshape(-1, 4)
    counts = np.zeros((len(REFERENCE_CLASSES), len(ESTIMATE_CLASSES)), dtype=np.intp)
    np.add.at(counts, (table[:, 2], table[:, 3]), 1)
    times = np.where(table[:, :2] >= 0, table[:, :2] / fs_hz, np.nan)
    last = NEVER if end is None else end
    spans = [Span(on, min(off, last)) for on, off in est.shutdowns]
    shutdown = sum(off - on for on, off in spans if off < NEVER)
    return Ec57Result(
        counts=counts,
        rr_error_rms_s=float(np.sqrt(np.mean(errors**2))) / fs_hz if errors.size else np.nan,
        n_rr=errors.size,
        shutdown_s=shutdown / fs_hz,
        reference_s=times[:, 0],
        estimate_s=times[:, 1],
        reference_class=np.array(REFERENCE_CLASSES)[table[:, 2]],
        estimate_class=np.array(ESTIMATE_CLASSES)[table[:, 3]],
    )
