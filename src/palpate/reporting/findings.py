"""Findings: of every band and activity how far to trust it and why it failed, in short sentences.

They stand at the top of the report and are never stronger than the data behind them: few
windows, few errors to rank, an untrusted reference and a single session are said where they
are so. A band is judged by its first source, its own heart rate where it gives one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from palpate.evaluation.scoring import ALL, OUTSIDE, WITHIN, ActivityError, scored_windows
from palpate.explanation.causes import CAUSES, UNEXPLAINED
from palpate.explanation.dose_response import UNLIKE
from palpate.explanation.oracle_split import FALSE_ALARM, missed_or_not
from palpate.heartrate import METHODS
from palpate.reporting.rise_text import rise_sentences
from palpate.reporting.source_numbers import (
    named_activity,
    share_interval_in,
    windows_in,
    within_interval,
)
from palpate.reporting.text_tables import proportion
from palpate.results import DEVICE, BandResult, SessionResult, SourceResult, is_device
from palpate.signals import BoolArray, Recording

FEW_WINDOWS = 30  # a minute of 2-s steps; fewer say little (common practice, no source)
FEWEST_TO_RANK = 10
MOST_CAUSES_NAMED = 2
WORTH_SAYING = 0.1  # share of an activity's windows, or of the errors; less is left out
STOOD_S = 20.0  # twice what smoothing over some 10 s holds (common practice, no source)
MOSTLY = 0.5  # share of the errors without a cause from which on that is said first
TRUST_FROM, CARE_FROM = 0.95, 0.80  # shares within tolerance; common practice, no source
VERDICTS = {
    "good": "trust it",
    "fair": "trust it with care",
    "poor": "do not trust it",
    "few": "too little to tell",
}
GRADES = ("poor", "fair", "few", "good")
_PLAINLY = {cause.name: cause.plainly for cause in CAUSES}
NO_WRIST = "There is no wrist recording, so this is the ECG reference alone."
CLOCK_UNKNOWN = (
    "Its clock's offset from the ECG's is not stated, so part of the error may be the clock's: "
    "line the clocks up with palpate align first."
)
CLOCK_WORTH_S = 1.0  # as lateness is told
ONE_SESSION = (
    "This is one session. It shows what happened here, not what a device does in general; that "
    "takes at least five sessions per activity (common practice, no source). Pool their reports "
    "with palpate study."
)


@dataclass(frozen=True, slots=True)
class ActivityFinding:
    """How far to trust a band in one activity (a key of `VERDICTS`), by what numbers, and why."""

    activity: str
    grade: str
    numbers: str
    why: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """The grade in words."""
        return VERDICTS[self.grade]


@dataclass(frozen=True, slots=True)
class BandFinding:
    """What to say of a band as a whole, and of its activities, the worst grades first."""

    band: str
    about: str
    overall: str
    activities: tuple[ActivityFinding, ...]

    def lines(self) -> list[str]:
        """Return the finding as lines of text."""
        about = f" ({self.about})" if self.about else ""
        told = [f"{self.band}{about}. {self.overall}"]
        for one in self.activities:
            told.append(f"  {one.activity}: {one.verdict}. {one.numbers}")
            told += [f"    {line}" for line in one.why]
        return told


@dataclass(frozen=True, slots=True)
class Findings:
    """Everything that stands at the top of the report."""

    reference: str
    bands: tuple[BandFinding, ...]
    limits: tuple[str, ...]

    def lines(self) -> list[str]:
        """Return the findings as lines of text, for the terminal and the summary."""
        about_bands = (line for band in self.bands for line in band.lines())
        return [self.reference, *about_bands, *self.limits]


def findings(result: SessionResult) -> Findings:
    """Return what stands at the top of the report."""
    bands = tuple(_band_finding(band, result) for band in result.bands if band.sources)
    limits = (ONE_SESSION,) if bands else (NO_WRIST,)
    return Findings(_reference_sentence(result), bands, limits)


def _reference_sentence(result: SessionResult) -> str:
    windows = result.windows
    doubtful = int((~windows["trusted"].astype(bool)).sum())
    if not doubtful:
        return f"The ECG reference is trusted in all of its {len(windows)} windows."
    if doubtful == len(windows):
        reason = Counter(windows["reason"].tolist()).most_common(1)[0][0]
        return (
            f"The ECG reference cannot be trusted anywhere ({reason}), so nothing can be scored; "
            "check which channel is the ECG, and the electrodes."
        )
    return (
        f"The ECG reference is not trusted in {doubtful} of its {len(windows)} windows "
        f"({proportion(doubtful / len(windows))}); those are not scored."
    )


def _band_finding(band: BandResult, result: SessionResult) -> BandFinding:
    source, recording = band.sources[0], band.recording
    named = [row for row in source.by_activity if row.activity != ALL]
    told = [_activity_finding(row, band, result) for row in named or source.by_activity]
    numbers = f": {_numbers(source, source.by_activity[-1])}" if named else "."
    return BandFinding(
        band=recording.name,
        about=about_recording(recording),
        overall=f"{reading(source.source)}{numbers}{_clock(source, recording)}",
        activities=tuple(sorted(told, key=lambda one: GRADES.index(one.grade))),
    )


def about_recording(recording: Recording) -> str:
    """Return a recording's device, firmware and placement, where they say more than its name."""
    firmware = f"firmware {recording.firmware}" if recording.firmware else ""
    told = (recording.device, firmware, recording.placement)
    return ", ".join(text for text in told if text and text != recording.name)


def _clock(source: SourceResult, recording: Recording) -> str:
    """Say how far the band's clock is off by its light, or else that nobody stated it."""
    table = source.causes.windows
    off_s = float(np.median(table["clock_offset_s"]))
    if abs(off_s) > max(float(np.median(table["clock_within_s"])), CLOCK_WORTH_S):
        which = "behind" if off_s > 0 else "ahead of"
        return (
            f" Its light shows its clock to be {abs(off_s):.1f} s {which} the ECG's. Its errors "
            "and its lateness include that: line the clocks up with palpate align first."
        )
    return "" if recording.clock_known else f" {CLOCK_UNKNOWN}"


def reading(source: str) -> str:
    """Say what a band is judged by."""
    if is_device(source):
        return f"Judged by its own heart rate{source.removeprefix(DEVICE)}"
    return f"It gave no heart rate; judged by what palpate's {source!r} reads from its light"


def _numbers(source: SourceResult, row: ActivityError) -> str:
    if not row.errors.n:
        return "no window could be scored."
    within = proportion(row.errors.share_within, *within_interval(source, row.activity))
    return (
        f"{within} of {row.errors.n} windows within tolerance, off by "
        f"{row.errors.mae_bpm:.1f} bpm on average."
    )


def _activity_finding(
    row: ActivityError, band: BandResult, result: SessionResult
) -> ActivityFinding:
    source = band.sources[0]
    mine = windows_in(source.windows, row.activity)
    grade = activity_grade(row)
    why = _missing_sentences(row)
    if grade in ("fair", "poor"):
        why += _ecg_sentences(source, mine, grade)
        why += _cause_sentences(source, mine)
        why += _light_sentences(source, band, row.activity)
        why += _other_sentences(band, row.activity)
        if row.errors.share_within < 1.0:
            why += _excess_sentences(source, row.activity)
    why += rise_sentences(source, row.activity, result.session.activities)
    numbers = _numbers(source, row)
    if 0 < row.errors.n < FEW_WINDOWS:
        numbers += f" These are only {row.errors.n} windows."
    elif _might_be_either(source, row):
        numbers += " Too short for a firm grade."
    return ActivityFinding(named_activity(row.activity), grade, capital(numbers), tuple(why))


def _might_be_either(source: SourceResult, row: ActivityError) -> bool:
    """Return whether the interval of the share within tolerance holds the best and worst grade."""
    ends = {grade_of(end, row.coverage) for end in within_interval(source, row.activity)}
    return ends == {"good", "poor"}


def activity_grade(row: ActivityError) -> str:
    """Return the grade of a source in an activity."""
    if row.errors.n < FEW_WINDOWS:
        return "few"
    return grade_of(row.errors.share_within, row.coverage)


def grade_of(within: float, coverage: float) -> str:
    """Return the grade of a share of windows within tolerance, judged in percent as it is shown.

    What gives a heart rate in too few windows (``coverage``) is not graded good.
    """
    within = round(within, 2)
    if within >= TRUST_FROM and coverage >= CARE_FROM:
        return "good"
    return "fair" if within >= CARE_FROM else "poor"


def _missing_sentences(row: ActivityError) -> list[str]:
    told = []
    if row.n_windows and row.n_untrusted > WORTH_SAYING * row.n_windows:
        told.append(
            f"The reference is not trusted in {row.n_untrusted} of its {row.n_windows} windows; "
            "only the others are judged."
        )
    if row.coverage < 1.0 - WORTH_SAYING:
        told.append(f"It gave no heart rate in {proportion(1.0 - row.coverage)} of the windows.")
    return told


def _ecg_sentences(source: SourceResult, mine: BoolArray, grade: str) -> list[str]:
    """Say where a grade may be the ECG's fault: without its faults it would be better."""
    wrong = mine & source.causes.ecg_wrong
    others = mine & scored_windows(source.windows) & ~wrong
    if not wrong.any() or not others.any():
        return []
    within = float((source.windows["status"][others] == WITHIN).mean())
    if GRADES.index(grade_of(within, 1.0)) <= GRADES.index(grade):
        return []
    return [
        f"Look at the ECG first: it, not the wrist, seems to be wrong in {np.count_nonzero(wrong)} "
        f"of these windows. Of the other {np.count_nonzero(others)}, {proportion(within)} are "
        "within tolerance."
    ]


def _cause_sentences(source: SourceResult, mine: BoolArray) -> list[str]:
    outside = mine & (source.windows["status"] == OUTSIDE)
    table = source.causes.windows
    late_s = table["late_s"][outside & (table["cause"] == "tracking lag")]
    told = causes_told(Counter(table["cause"][outside].tolist()))
    if outside.sum() < FEWEST_TO_RANK:
        return told
    if late_s.size > WORTH_SAYING * outside.sum():
        told.append(
            f"Where it was late, it trailed the heart by {np.median(late_s):.0f} s (median)."
        )
    stood = (table["held_s"] >= STOOD_S) & (table["cause"] != "held reading")
    if (share := float(stood[outside].mean())) > MOSTLY:
        told.append(
            f"In {proportion(share)} of these windows it stood on one number for {STOOD_S:.0f} s "
            "or more."
        )
    return told


def causes_told(counts: Counter[str]) -> list[str]:
    """Name the commonest causes of windows outside tolerance, counted by cause."""
    n = counts.total()
    if not n:
        return ["No window is outside tolerance, so there is no cause to name."]
    if n < FEWEST_TO_RANK:
        outside = "window is" if n == 1 else "windows are"
        return [f"Only {n} {outside} outside tolerance, too few to rank causes."]
    shares = {cause: count / n for cause, count in counts.most_common()}
    return [shares_told(shares, f"Of {n} windows outside tolerance")]


def shares_told(shares: Mapping[str, float], among: str) -> str:
    """Name the commonest causes by their shares, largest first; ``among`` says of what.

    A second cause is named if it is worth saying.
    """
    ranked = [(cause, share) for cause, share in shares.items() if cause != UNEXPLAINED]
    if not ranked:
        return f"{among}, none could be given a cause."
    named = "; ".join(
        f"{_PLAINLY[cause]} ({cause}, {proportion(share)})"
        for place, (cause, share) in enumerate(ranked[:MOST_CAUSES_NAMED])
        if place == 0 or share >= WORTH_SAYING
    )
    unexplained = shares.get(UNEXPLAINED, 0.0)
    left = f"{proportion(unexplained)} remain" if unexplained else "none remains"
    if unexplained >= MOSTLY:
        return f"{among}, {left} unexplained. Named most often: {named}."
    return f"Main cause{'s' * (';' in named)}: {named}. {among}, {left} unexplained."


def _light_sentences(source: SourceResult, band: BandResult, activity: str) -> list[str]:
    if source.split is None:
        return []
    table = source.windows.joined(band.oracle)
    had_pulse, judged = missed_or_not(table, source.causes.ecg_wrong)
    judged &= windows_in(table, activity)
    if judged.sum() < FEWEST_TO_RANK:
        return []
    if not had_pulse[judged].any():
        return ["In none of these windows did the light show the pulse."]
    interval = share_interval_in(table, activity, had_pulse, judged)
    share = float(had_pulse[judged].mean())
    missed = proportion(share, *interval)
    if share <= FALSE_ALARM:
        told = f"no more than the {proportion(FALSE_ALARM)} that pass by chance"
        return [f"The light seemed to show the pulse in {missed} of these windows, {told}."]
    cleaned = np.isfinite(table["acc_explained_share"][judged]).any()
    once = ", once movement was taken out of it," if cleaned else ""
    return [
        f"In {missed} of these windows the light{once} carried the pulse but the algorithm missed "
        "it."
    ]


def _other_sentences(band: BandResult, activity: str) -> list[str]:
    """Say how well the same light was read otherwise."""
    shares = {
        other.source: row.errors.share_within
        for other in band.sources[1:]
        for row in other.by_activity
        if row.activity == activity and row.errors.n and other.source in METHODS
    }
    return others_told(shares)


def others_told(shares: Mapping[str, float]) -> list[str]:
    """Say how well palpate's estimators read a band's light, by their shares within tolerance."""
    if not shares:
        return []
    first, *rest = (f"in {proportion(share)}" for share in shares.values())
    name, *names = (repr(name) for name in shares)
    also = "".join(f", {other} {share}" for other, share in zip(names, rest, strict=True))
    return [f"From the same light, palpate's {name} is within tolerance {first} of windows{also}."]


def _excess_sentences(source: SourceResult, activity: str) -> list[str]:
    for one in source.dose.excess if source.dose else ():
        if one.activity == activity and one.reason == UNLIKE:
            return [f"Whether motion explains the error cannot be said: {UNLIKE}."]
        if one.activity == activity and one.low_bpm > 0:
            return [
                f"It is off by {one.excess_bpm:.0f} bpm ({one.low_bpm:.0f} to "
                f"{one.high_bpm:.0f}) more than the other activities are at the same motion "
                "intensity."
            ]
    return []


def capital(text: str) -> str:
    """Return text that begins with a capital; the rest stays as it is."""
    return text[:1].upper() + text[1:]


def duration_text(seconds: float) -> str:
    """Return a duration as a person would say it: ``"45 s"``, ``"3 min 20 s"``, ``"40 min"``."""
    minutes, rest = divmod(round(seconds), 60)
    if not minutes:
        return f"{rest} s"
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"
