"""Why an estimate is outside tolerance: every cause scored from evidence, the largest names it.

A cause is a rule from named evidence to a score in 0..1 (``palpate.explanation.rules``) and a
sentence. All scores are kept. The largest names the window if it reaches `LEAST_SCORE` and leads
the next by `LEAST_MARGIN`; weak or tied evidence leaves the window *unexplained*.

A cause yields to others that explain the same evidence better, as `CAUSES` states: everything
to a clock that is known to be off and repairs the error; what merely goes on in the light
(swamping, shaking) to what shows in the estimate itself (cadence, lag, holding, harmonic). So
a tie means two causes that do not explain each other.

To add a cause, write its rule and sentence and add a `Cause` to `CAUSES`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from palpate.evaluation.scoring import OUTSIDE
from palpate.explanation import rules, sentences
from palpate.explanation.rules import Evidence
from palpate.explanation.softness import all_of, unless
from palpate.signals import BoolArray, FloatArray, WindowTable

UNEXPLAINED = "unexplained"
REFERENCE_FAULT = "reference fault"
LEAST_SCORE = 0.5
"""Half of the way between no sign and a full one."""
LEAST_MARGIN = 0.1
"""Scores nearer than this are a tie."""

Rule = Callable[[Evidence], FloatArray]
Sentence = Callable[[Mapping[str, Any]], str]


@dataclass(frozen=True, slots=True)
class Cause:
    """A name, the rule that scores it, and the sentence that gives its numbers.

    ``plainly`` says it in a few words to somebody who does not know the name, as in "it was
    right but late". ``yields_to`` names causes that explain the same evidence better: as far as
    they are shown, this one is not.
    """

    name: str
    score: Rule
    sentence: Sentence
    plainly: str = field(kw_only=True)
    yields_to: tuple[str, ...] = ()


CAUSES: tuple[Cause, ...] = (
    Cause(
        REFERENCE_FAULT,
        rules.reference_fault,
        sentences.reference_fault,
        plainly="the ECG, not the wrist, seems to be wrong",
        yields_to=("clock error",),
    ),
    Cause(
        "clock error",
        rules.clock_error,
        sentences.clock_error,
        plainly="the band's clock was off",
    ),
    Cause(
        "cadence lock",
        rules.cadence_lock,
        sentences.cadence_lock,
        plainly="it followed the arm's rhythm instead of the pulse",
        yields_to=("reference fault", "clock error", "tracking lag"),
    ),
    Cause(
        "motion swamping",
        rules.motion_swamping,
        sentences.motion_swamping,
        plainly="movement outshone the pulse in the light",
        yields_to=(
            "clock error",
            "cadence lock",
            "tracking lag",
            "held reading",
            "harmonic error",
        ),
    ),
    Cause(
        "shaking",
        rules.shaking,
        sentences.shaking,
        plainly="vibration hid the pulse",
        yields_to=("clock error", "tracking lag", "held reading", "harmonic error"),
    ),
    Cause(
        "contact change",
        rules.contact_change,
        sentences.contact_change,
        plainly="the sensor lifted, pressed or slipped",
        yields_to=("clock error", "tracking lag", "irregular rhythm"),
    ),
    Cause(
        "low perfusion",
        rules.low_perfusion,
        sentences.low_perfusion,
        plainly="the pulse in the light was too faint",
        yields_to=("clock error",),
    ),
    Cause(
        "tracking lag",
        rules.tracking_lag,
        sentences.tracking_lag,
        plainly="it was right but late",
        yields_to=("clock error",),
    ),
    Cause(
        "held reading",
        rules.held_reading,
        sentences.held_reading,
        plainly="it held its last number while the heart moved on",
        yields_to=("reference fault", "clock error", "cadence lock", "harmonic error"),
    ),
    Cause(
        "harmonic error",
        rules.harmonic_error,
        sentences.harmonic_error,
        plainly="it read half or double the rate",
        yields_to=("reference fault", "clock error", "low perfusion", "irregular rhythm"),
    ),
    Cause(
        "irregular rhythm",
        rules.irregular_rhythm,
        sentences.irregular_rhythm,
        plainly="the beats came too unevenly for one rate",
        yields_to=("clock error", "reference fault", "cadence lock"),
    ),
)


@dataclass(frozen=True, slots=True, eq=False)
class CauseTable:
    """The causes of one source's errors.

    ``windows`` is the evidence with the columns ``cause`` (empty where the window is not
    outside tolerance, else a cause's name or *unexplained*), ``cause_score``,
    ``cause_margin`` and one ``score <cause>`` per cause (NaN where there is no error).
    ``least_score`` is what it took to be named.
    """

    windows: WindowTable
    causes: tuple[Cause, ...]
    least_score: float = LEAST_SCORE

    @property
    def scores(self) -> FloatArray:
        """Score of every window and cause, ``(n, causes)``."""
        return np.stack([self.windows[score_column(c.name)] for c in self.causes], axis=1)

    @property
    def ecg_wrong(self) -> BoolArray:
        """Windows outside tolerance where the ECG, not the wrist, seems to be wrong, ``(n,)``."""
        return np.asarray(self.windows["cause"] == REFERENCE_FAULT)

    def counts(self) -> dict[str, int]:
        """Return how many windows outside tolerance each cause has, unexplained last."""
        names = [*(c.name for c in self.causes), UNEXPLAINED]
        return {name: int(np.count_nonzero(self.windows["cause"] == name)) for name in names}

    def sentence(self, window: int) -> str:
        """Say why this window is outside tolerance; empty if it is not."""
        named = self.windows["cause"][window]
        if named == "":
            return ""
        row = {name: self.windows[name][window] for name in self.windows}
        for cause in self.causes:
            if cause.name == named:
                return sentences.opened(cause.sentence(row))
        ranked = sorted(
            ((float(row[score_column(c.name)]), c.name) for c in self.causes), reverse=True
        )
        return sentences.opened(sentences.unexplained(row, ranked[:2], self.least_score))


def score_column(cause: str) -> str:
    """Return the name of a cause's column of scores."""
    return f"score {cause}"


def attribute_causes(
    evidence: WindowTable,
    *,
    causes: Sequence[Cause] | None = None,
    least_score: float = LEAST_SCORE,
    least_margin: float = LEAST_MARGIN,
) -> CauseTable:
    """Name the cause of every window outside tolerance.

    Parameters
    ----------
    evidence
        As from ``source_evidence``; its ``status`` says which windows are outside. Missing
        columns count as not measured.
    causes
        What may be to blame; `CAUSES` if left out.
    least_score, least_margin
        What it takes to be named.
    """
    known = tuple(CAUSES if causes is None else causes)
    outside = evidence["status"] == OUTSIDE
    scores = np.where(outside[:, np.newaxis], _scores(Evidence(evidence), known), np.nan)
    ranked = np.sort(np.where(outside[:, np.newaxis], scores, 0.0), axis=1)
    first = ranked[:, -1]
    margin = first - (ranked[:, -2] if len(known) > 1 else 0.0)
    named = (first >= least_score) & (margin >= least_margin)
    names = np.array([c.name for c in known])[np.argmax(np.nan_to_num(scores), axis=1)]
    cause = np.where(outside, np.where(named, names, UNEXPLAINED), "")
    columns: dict[str, Any] = {score_column(c.name): scores[:, i] for i, c in enumerate(known)}
    table = evidence.with_columns(
        cause=cause,
        cause_score=np.where(outside, first, np.nan),
        cause_margin=np.where(outside, margin, np.nan),
        **columns,
    )
    return CauseTable(table, known, least_score)


def _scores(evidence: Evidence, causes: Sequence[Cause]) -> FloatArray:
    """Return every cause's score after yielding, ``(n, causes)``."""
    alone = {c.name: c.score(evidence) for c in causes}
    columns = []
    for cause in causes:
        better = [alone[name] for name in cause.yields_to if name in alone]
        columns.append(all_of(alone[cause.name], *(unless(score) for score in better)))
    return np.stack(columns, axis=1)
