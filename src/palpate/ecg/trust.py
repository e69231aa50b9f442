"""Whether a window's beat count can be trusted, and the one reason why not.

A window is trusted when the evidence for its count is consistent:

* both detectors count the reference's rate, and the rhythm is regular, or irregular in a
  clean signal where the detectors agree on the beats all around and nothing else looks like
  one; or
* one of them does, the rhythm is regular, and every beat was marked by a detector;

and no interval has the pattern of a beat missed or extra, nor does a beat lie between two that
are one period apart (``palpate.ecg.intervals``).
Anything else is untrusted, as is a window without enough signal, or whose QRS band holds a
steady wave, such as the remains of mains, and no complex. Other noise alone is no reason: it
names the cause where the count is in doubt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from palpate.ecg.quality import NOISE_LIMITS, SIGNAL_LIMITS
from palpate.signals import BoolArray, FloatArray, IntArray, StrArray, WindowTable

REASONS = (
    "missing",
    "flat",
    "saturated",
    "too few beats",
    "baseline wander",
    "mains",
    "muscle noise",
    "electrode motion",
    "detectors disagree",
    "irregular in doubt",
    "missed or extra beat",
)
"""Why a window is not trusted; an untrusted window carries one, a trusted one ``""``."""

RATE_TOLERANCE_BPM = 3.0
"""Rates this close agree: under half of what one beat more changes in 8 s."""
REGULAR_LOG_RATIO = 0.25
"""Largest log ratio of an interval to the local period in regular rhythm: a missed or extra
beat doubles or halves an interval (0.69), sinus arrhythmia stays within 0.2."""

_SURE_AGREEMENT = 0.95  # who agrees on 19 of 20 beats around knows the complexes
_MIN_BEATS = 3
_STEADY_WAVE = 0.45  # motion_ratio: 0.52 of a sine, 0.37 of a triangle, less of any complexes
_SIGNAL_NAMES = {"missing_share": "missing", "flat_share": "flat", "clipped_share": "saturated"}
_NOISE_NAMES = {
    "baseline_ratio": "baseline wander",
    "mains_ratio": "mains",
    "muscle_ratio": "muscle noise",
    "motion_ratio": "electrode motion",
}


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What is known about each window's count, each ``(windows,)``.

    Parameters
    ----------
    support
        How many detectors count the reference's rate within the tolerance.
    regular
        Every interval is near the local period.
    voted
        Every beat was marked by a detector.
    miscounted
        An interval looks as if a beat were missed or extra, or a beat lies in between.
    rivalled
        A place that is no beat looks strikingly like one.
    agreement_around
        Share of beats that both detectors mark, in and around the window.
    """

    support: IntArray
    regular: BoolArray
    voted: BoolArray
    miscounted: BoolArray
    rivalled: BoolArray
    agreement_around: FloatArray


def verdict(table: WindowTable, evidence: Evidence) -> StrArray:
    """Return the reason not to trust each window, ``""`` where there is none.

    ``table`` needs the columns of ``ecg_windows`` and ``n_beats``.
    """
    reason = np.full(len(table), "", dtype=f"<U{max(map(len, REASONS))}")

    def give(name: str | StrArray, where: BoolArray) -> None:
        here = where & (reason == "")
        reason[here] = np.broadcast_to(name, here.shape)[here]

    for column, limit in SIGNAL_LIMITS.items():
        give(_SIGNAL_NAMES[column], table[column] > limit)
    give("too few beats", table["n_beats"] < _MIN_BEATS)
    noise, excess = _worst_noise(table)
    give(noise, table["motion_ratio"] > _STEADY_WAVE)
    clean = excess <= 1.0
    for name, doubt in _doubts(evidence, clean).items():
        give(noise, doubt & ~clean)
        give(name, doubt)
    return reason


def _doubts(evidence: Evidence, clean: BoolArray) -> dict[str, BoolArray]:
    both = evidence.support == 2
    settled = (evidence.support == 1) & evidence.regular & evidence.voted
    sure = clean & ~evidence.rivalled & (evidence.agreement_around >= _SURE_AGREEMENT)
    return {
        "detectors disagree": ~both & ~settled,
        "missed or extra beat": evidence.miscounted,
        "irregular in doubt": ~evidence.regular & ~sure,
    }


def _worst_noise(table: WindowTable) -> tuple[StrArray, FloatArray]:
    """Return the kind of noise that is largest for its limit, and its size over the limit."""
    excess = np.stack([table[name] / limit for name, limit in NOISE_LIMITS.items()])
    excess = np.where(np.isfinite(excess), excess, 0.0)
    names = np.array([_NOISE_NAMES[name] for name in NOISE_LIMITS])
    return names[np.argmax(excess, axis=0)], excess.max(axis=0)
