"""Measure the error budget on faults of known size, and what goes with the error.

Usage: python scripts/benchmark_budget.py --data FOLDER [--seed N]

FOLDER holds datasets/, as PALPATE_DATA does. Known faults are put into real recordings
(``palpate.simulation.semi_synthetic``); the clock, where it is mended, is what the light
itself shows. The true share of a fault is the mean absolute error that it adds, over the
mean absolute error with it; the budget's is that of the repairs against it, less what they
already removed before the fault was put in. Both are over the same windows of the band, those
that have an error with and without the fault: a clock that is off moves some out of the
reference's time, and these may be the worst. A share is right within 15 percentage points.
Each recording is first put on the clock that its light shows, so that the fault is the only
one: two delays undo or add to each other, and what each of them costs is then a convention.
Only sources that were right before count: a mean absolute error of at most 5 bpm, or
10 for the conventional estimate, of which few are better.
Where the clock or the latency could not be told, and the budget says so, it is counted as
declined.

clock    the band's clock is off; source: the robust estimate
latency  readings come late; source: the robust estimate as a device's own series
motion   recorded motion leaks into the light, into each channel its own mixture, so that
         the better channel mends a part; source: the conventional estimate

Then, per estimator: how the variance of the error is shared out among groups of features, on
the treadmill recordings one after the other, and on simulated sessions.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from open_recordings import (
    Treadmill,
    WristExercise,
    treadmill_recordings,
    wrist_recordings,
)
from palpate.conditioning import window_grid
from palpate.counterfactuals import (
    CHANNEL,
    CLOCK,
    LATENCY,
    MOTION,
    Counterfactuals,
    device_counterfactuals,
    light_counterfactuals,
)
from palpate.ecg import reference_beats, window_heart_rate
from palpate.explanation import oracle_windows
from palpate.explanation.light_clock import light_clock
from palpate.explanation.variance import ErrorVariance, error_features, error_variance
from palpate.heartrate import estimate
from palpate.motion import motion_windows
from palpate.pipeline import explain_session
from palpate.ppg import ppg_windows
from palpate.results import Options
from palpate.signals import (
    BoolArray,
    FloatArray,
    RateSeries,
    Recording,
    Role,
    Session,
    Waveform,
    WindowTable,
)
from palpate.simulation import (
    ClockError,
    EstimatorLatency,
    Fault,
    MotionCoupling,
    simulate_session,
)
from palpate.simulation.semi_synthetic import inject_faults

RIGHT_BPM: dict[type[Fault], float] = {
    ClockError: 5.0,
    EstimatorLatency: 5.0,
    MotionCoupling: 10.0,
}
NEAR = 0.15
BAND = "band"
DOSES: dict[type[Fault], tuple[float, ...]] = {
    ClockError: (-20.0, -10.0, -5.0, -2.0, 2.0, 5.0, 10.0, 20.0),
    EstimatorLatency: (2.0, 4.0, 8.0, 15.0),
    MotionCoupling: (1.0, 2.0, 4.0, 8.0),
}
REPAIRS: dict[type[Fault], tuple[str, ...]] = {
    ClockError: (CLOCK,),
    EstimatorLatency: (LATENCY,),
    MotionCoupling: (MOTION, CHANNEL),
}
SIMULATED = 3


@dataclass(frozen=True, eq=False)
class Case:
    """One real recording: its band, the reference per window, and the beats."""

    name: str
    session: Session
    reference: WindowTable
    beat_s: FloatArray

    @property
    def length_s(self) -> float:
        """End of the light, seconds."""
        return self.session.recordings[0].waveforms[0].end_s


def cases(data: Path) -> Iterator[Case]:
    """Yield the treadmill and the wrist recordings."""
    for one in treadmill_recordings(data):
        if one.ecg is not None:
            beat_s = reference_beats(one.ecg, fs_hz=one.fs_hz)
            yield case(one.name, light_and_motion(one, "g"), one.bpm, beat_s)
    for other in wrist_recordings(data):
        truth = window_heart_rate(other.beat_s, *window_grid(0.0, other.ppg.shape[0] / other.fs_hz))
        yield case(other.name, light_and_motion(other, "m/s2"), truth, other.beat_s)


def case(
    name: str, waveforms: tuple[Waveform, Waveform], truth: FloatArray, beat_s: FloatArray
) -> Case:
    """Put a recording together on the light's clock, the robust estimate as the device's series."""
    ppg, acc = waveforms
    rate = estimate(ppg.values, acc.values, fs_hz=ppg.fs_hz, method="robust")
    band = Recording(BAND, waveforms, (replace(rate, source="own"),))
    start_s = 2.0 * np.arange(truth.size, dtype=np.float64)
    clock = light_clock(ppg.values, beat_s, fs_hz=ppg.fs_hz)
    if clock.known:
        truth = np.interp(start_s + clock.offset_s, start_s, truth, left=np.nan, right=np.nan)
        beat_s = beat_s - clock.offset_s
    columns = {"hr_bpm": truth, "trusted": np.isfinite(truth)}
    reference = WindowTable(start_s, start_s + 8.0, columns)
    return Case(name, Session(name, (band,)), reference, beat_s)


def light_and_motion(one: Treadmill | WristExercise, unit: str) -> tuple[Waveform, Waveform]:
    """Return both as waveforms."""
    return (
        Waveform("ppg", Role.PPG, one.ppg, one.fs_hz, "a.u."),
        Waveform("acc", Role.ACC, one.acc, one.fs_hz, unit),
    )


def mended(case: Case, session: Session, kind: type[Fault]) -> Counterfactuals:
    """Return the errors of the source that this kind of fault acts on, under all repairs."""
    band = session.recordings[0]
    ppg, acc = (band.of_role(role)[0] for role in (Role.PPG, Role.ACC))
    start_s = band.clock_offset_s
    clock = light_clock(ppg.values, case.beat_s, fs_hz=ppg.fs_hz, start_s=start_s)
    if kind is EstimatorLatency:
        return device_counterfactuals(case.reference, on_grid(band.rates[0], case), clock)
    return light_counterfactuals(
        case.reference,
        ppg.values,
        acc.values,
        method="conventional" if kind is MotionCoupling else "robust",
        fs_hz=ppg.fs_hz,
        start_s=start_s,
        clock=clock,
    )


def on_grid(rate: RateSeries, case: Case) -> FloatArray:
    """Return a series' rates in the reference's windows."""
    grid = WindowTable(case.reference.start_s, case.reference.end_s)
    series = WindowTable(rate.start_s, rate.end_s, {"estimate_bpm": rate.hr_bpm})
    return np.asarray(grid.joined(series)["estimate_bpm"])


def measure_shares(every: list[Case], seed: int) -> None:
    """Print per fault and dose how near the budget's shares come to the true ones."""
    print("fault              dose   n declined   true budget  worst  right")
    for kind, doses in DOSES.items():
        before = {c.name: mended(c, c.session, kind) for c in every}
        sound = [c for c in every if before[c.name].budget().total_bpm <= RIGHT_BPM[kind]]
        for dose in doses:
            pairs = []
            for case in sound:
                fault = kind(source=BAND, start_s=0.0, end_s=case.length_s, dose=dose)
                after = mended(case, inject_faults(case.session, [fault], seed=seed), kind)
                if frozenset().union(*after.absolute_error_bpm).intersection(REPAIRS[kind]):
                    pairs.append(compared(before[case.name], after, REPAIRS[kind]))
            true, found = np.array(pairs).T
            off = np.abs(found - true)
            right = np.mean(off <= NEAR)
            print(
                f"{kind.__name__:16s} {dose:6.1f} {off.size:3d} {len(sound) - off.size:8d} "
                f"{true.mean():6.2f} {found.mean():6.2f} {off.max():6.2f} {right:6.0%}"
            )


def compared(
    before: Counterfactuals, after: Counterfactuals, repairs: tuple[str, ...]
) -> tuple[float, float]:
    """Return the true share of what was put in, and the budget's."""
    shared = usable(before) & usable(after)
    budgets = [within(found, shared).budget() for found in (before, after)]
    removed = [
        sum(share.error_bpm for share in budget.shares if share.repair in repairs)
        for budget in budgets
    ]
    total_bpm = budgets[1].total_bpm
    added = total_bpm - budgets[0].total_bpm
    return added / total_bpm, (removed[1] - removed[0]) / total_bpm


def usable(found: Counterfactuals) -> BoolArray:
    """Return which windows have an error under every set of repairs."""
    return np.isfinite(sum(found.absolute_error_bpm.values()))


def within(found: Counterfactuals, windows: BoolArray) -> Counterfactuals:
    """Return the same errors in these windows only."""
    errors = {
        members: np.where(windows, error, np.nan)
        for members, error in found.absolute_error_bpm.items()
    }
    return replace(found, absolute_error_bpm=errors)


def measure_variance(every: list[Case], seed: int) -> None:
    """Print what goes with the error of a plain and of a motion-cancelling estimator."""
    treadmill = [case for case in every if case.name.startswith("DATA")]
    for method in ("conventional", "robust"):
        parts = [treadmill_features(case, method) for case in treadmill]
        errors = np.concatenate([error for error, _ in parts])
        features = {name: np.concatenate([own[name] for _, own in parts]) for name in parts[0][1]}
        recording = np.repeat([case.name for case in treadmill], [e.size for e, _ in parts])
        print_variance(f"treadmill, {method}", error_variance(errors, features, recording))
    for number in range(SIMULATED):
        simulated = simulate_session(seed=seed + number).session
        result = explain_session(simulated, Options(methods=("conventional", "robust")))
        for band in result.bands:
            reference = result.windows
            trusted = np.where(reference["trusted"], reference["hr_bpm"], np.nan)
            features = error_features(band.motion, band.light, band.oracle, trusted)
            for source in band.sources:
                error = np.abs(source.windows["estimate_bpm"] - trusted)
                name = f"simulated {seed + number}, {source.name}"
                activity = source.windows["activity"]
                print_variance(name, error_variance(error, features, activity))


def treadmill_features(case: Case, method: str) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Return the errors of a method on one recording, and the features."""
    ppg, acc = (w.values for w in case.session.recordings[0].waveforms)
    known: dict[str, Any] = {"fs_hz": 125.0}
    rate = estimate(ppg, acc, method=method, **known)
    truth = np.full(len(rate), np.nan)
    count = min(len(rate), len(case.reference))
    truth[:count] = case.reference["hr_bpm"][:count]
    features = error_features(
        motion_windows(acc, unit="g", **known),
        ppg_windows(ppg, **known),
        oracle_windows(ppg, acc, truth, **known),
        truth,
    )
    return np.abs(rate.hr_bpm - truth), features


def print_variance(name: str, found: ErrorVariance) -> None:
    """Print one source's shares, and which groups tell the same."""
    print(f"\n{name}: {found.explained:.2f} ({found.low:.2f} to {found.high:.2f}) explained")
    for group in found.groups:
        print(
            f"  {group.group:30s} {group.share:6.2f} ({group.low:5.2f} to {group.high:5.2f}), "
            f"alone {group.alone:5.2f}"
        )
    for one, other, squared in found.collinear:
        print(f"  {one} and {other} tell much the same ({squared:.2f})")


def main() -> None:
    """Measure shares, then variance."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    every = list(cases(options.data))
    measure_shares(every, options.seed)
    measure_variance(every, options.seed)


if __name__ == "__main__":
    main()
