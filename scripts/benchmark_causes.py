"""Measure whether the causes of wrist errors are named right.

Usage: python scripts/benchmark_causes.py [--data FOLDER] [--rounds N] [--seed SEED]

FOLDER holds datasets/, as PALPATE_DATA does. Seeds are drawn from the operating system's
entropy unless one is given, and printed.

Simulated       sessions with one cause at a time, at doses from where a plain estimator begins
                to fail upwards, on two bands with two sources each. Balanced accuracy over
                causes (target 0.90) and the confusion matrix. Windows with two causes at once
                are listed, and count as neither right nor wrong.
Semi-synthetic  real light of ieee_spc2015 (Zhang, Pi & Liu 2015) and wrist_ppg_exercise
                (Jarchi & Casson 2017) where the robust estimator is right in nine windows of
                ten: known faults put in. Share of error windows named right (target 0.80), the
                clock's offset (target within 0.5 s) and the latency (within 1 s) recovered.

What counts: windows that lie in one fault wholly, are outside tolerance, and within half of it
(simulated: within it) where the same session has no fault, so that the fault and nothing else made
the error; of real light with a held reading, those whose held reading was right when it was taken
and stands on no multiple of the cadence, and whose light carries the pulse: else there is a second
cause. An offset is compared with that of the untouched recording, since real recordings have clock
errors of their own. A leak of motion is named right as cadence lock or as swamping, since a
recorded rhythm may do either. Lag, holding and harmonic lock act on the device's own series, for
which the real recordings get the robust estimate; the clock is judged on the device and on the
robust estimator, which is right without it.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from open_recordings import treadmill_recordings, wrist_recordings
from palpate.conditioning import resample
from palpate.ecg import BeatReference, beat_reference
from palpate.evaluation.scoring import OUTSIDE, score_windows
from palpate.explanation import (
    CAUSES,
    BandEvidence,
    CauseTable,
    LightClock,
    WristSignals,
    causes_of,
    examine_band,
)
from palpate.explanation.causes import UNEXPLAINED
from palpate.explanation.oracle_split import light_carries
from palpate.grid import readings_per_window, wrist_motion, wrist_signals
from palpate.heartrate import estimate
from palpate.ppg import ppg_windows
from palpate.signals import RateSeries, Recording, Role, Session, Waveform, WindowTable
from palpate.simulation import (
    ALDER,
    BIRCH,
    Bout,
    CadenceCoupling,
    ClockError,
    ContactLoss,
    Ectopy,
    ElectrodeMotion,
    EstimatorLatency,
    Fault,
    HarmonicLock,
    HeldReading,
    LowPerfusion,
    MotionCoupling,
    PressureChange,
    Shaking,
    simulate_session,
)
from palpate.simulation.scenario import CHEST, Movement
from palpate.simulation.semi_synthetic import inject_faults
from palpate.validation import InputError

Floats = NDArray[np.float64]
DEVICE = "device"
WRIST = "wrist"
WINDOW_S, STEP_S = 8.0, 2.0
MOTION_CAUSES = ("cadence lock", "motion swamping")
QUICK = tuple(replace(band, latency_s=1.0, smoothing_s=2.0) for band in (ALDER, BIRCH))
"""Bands that are late by nature would add lag to every other cause."""


@dataclass(frozen=True)
class Judged:
    """One source's causes, and its band's clock."""

    band: str
    source: str
    causes: CauseTable
    clock: LightClock


def reference_of(session: Session) -> BeatReference:
    """Return the beat reference of the session's ECG, which starts at its second 0."""
    ecg = session.recordings[0].of_role(Role.ECG)[0]
    return beat_reference(ecg.values, fs_hz=ecg.fs_hz, window_s=WINDOW_S, step_s=STEP_S)


def judge(session: Session, reference: BeatReference, methods: Sequence[str]) -> dict[str, Judged]:
    """Run every stage for every band and return the causes by band and source."""
    grid = reference.windows.with_columns(activity=np.full(len(reference.windows), ""))
    scored: dict[str, tuple[Recording, str, WindowTable]] = {}
    for band in session.recordings[1:]:
        signals = signals_of(band)
        span: dict[str, Any] = {"fs_hz": signals.fs_hz, "start_s": signals.start_s}
        rates = [readings_per_window(rate, band, grid) for rate in band.rates]
        rates += [estimate(signals.ppg, signals.acc, method=m, **span) for m in methods]
        for rate in rates:
            name = f"{band.name}, {rate.source}"
            scored[name] = band, rate.source, score_windows(grid, rate)
    result = {}
    for band in session.recordings[1:]:
        evidence = examined(band, grid, reference)
        for name, (own, source, table) in scored.items():
            if own is band:
                others = [t["estimate_bpm"] for n, (_, _, t) in scored.items() if n != name]
                found = causes_of(table, evidence, grid, reference.beats.time_s, others_bpm=others)
                result[name] = Judged(band.name, source, found, evidence.clock)
    return result


def signals_of(band: Recording) -> WristSignals:
    """Return the band's light and acceleration; every band here has both."""
    signals = wrist_signals(band, window_s=WINDOW_S, step_s=STEP_S)
    if signals is None:
        raise InputError(f"recording {band.name!r} has no light to inject faults into")
    return signals


def examined(band: Recording, grid: WindowTable, reference: BeatReference) -> BandEvidence:
    """Return the band's evidence."""
    signals = signals_of(band)
    light = ppg_windows(signals.ppg, fs_hz=signals.fs_hz, start_s=signals.start_s)
    motion = wrist_motion(band, window_s=WINDOW_S, step_s=STEP_S)
    tables = [table for table in (motion, light) if table is not None]
    return examine_band(grid, tables, reference.beats.time_s, signals)


# --- simulated sessions -----------------------------------------------------------------


Part = tuple[float, float, Movement, Callable[[str, float, float], list[Fault]] | None]


def simulated_plans(rng: np.random.Generator) -> Iterator[tuple[list[Bout], list[Fault]]]:
    """Yield the bouts and faults of sessions that together hold every cause."""
    u = rng.uniform

    def rest() -> Part:
        return 60.0, u(60.0, 85.0), "still", None

    def on_band(
        kind: type[Fault], low: float, high: float, **more: float
    ) -> Callable[[str, float, float], list[Fault]]:
        return lambda band, start_s, end_s: [
            kind(source=band, start_s=start_s, end_s=end_s, dose=u(low, high), **more)
        ]

    def on_heart(
        kind: type[Fault], low: float, high: float
    ) -> Callable[[str, float, float], list[Fault]]:
        return lambda band, start_s, end_s: (
            [kind(source=CHEST, start_s=start_s, end_s=end_s, dose=u(low, high))]
            if band == ALDER.name
            else []
        )

    def parts(*between: Part) -> tuple[list[Bout], list[Fault]]:
        return laid_out([rest()] + [p for part in between for p in (part, rest())])

    yield parts(
        (120.0, u(110, 160), "stepping", on_band(CadenceCoupling, 1.2, 3.0)),
        (120.0, u(90, 130), "handling", on_band(MotionCoupling, 1.5, 4.0)),
        (120.0, u(100, 140), "lifting", on_band(MotionCoupling, 2.0, 5.0)),
    )
    yield parts(
        (120.0, u(110, 150), "gravel", on_band(Shaking, 4.0, 10.0)),
        (120.0, u(70, 90), "still", on_band(ContactLoss, 0.45, 0.95)),
        (120.0, u(90, 120), "handling", on_band(ContactLoss, 0.45, 0.95)),
    )
    yield parts(
        (150.0, u(60, 85), "still", on_band(LowPerfusion, 0.8, 0.97)),
        (120.0, u(80, 120), "still", on_band(PressureChange, 3.0, 8.0)),
        (120.0, u(80, 120), "handling", on_band(PressureChange, 3.0, 8.0)),
    )
    yield parts(
        (150.0, u(60, 95), "still", on_band(HarmonicLock, 0.6, 1.0, factor=2.0)),
        (150.0, u(80, 120), "still", on_band(HarmonicLock, 0.6, 1.0, factor=0.5)),
    )
    yield parts(
        (150.0, u(60, 85), "still", on_heart(Ectopy, 0.4, 1.0)),
        (150.0, u(80, 120), "still", on_heart(ElectrodeMotion, 0.7, 2.5)),
        (150.0, u(100, 140), "stepping", on_heart(ElectrodeMotion, 0.7, 2.5)),
    )
    for kind in (EstimatorLatency, ClockError):
        bouts, _ = laid_out(
            [
                (u(40, 80), demand + u(-10, 10), "still", None)
                for demand in (70, 150, 90, 160, 75, 140)
            ]
        )
        end_s = sum(bout.duration_s for bout in bouts)
        yield (
            bouts,
            [
                kind(source=band.name, start_s=0.0, end_s=end_s, dose=_shift(rng, kind))
                for band in QUICK
            ],
        )
    yield parts(
        (150.0, u(110, 150), "still", on_band(HeldReading, 40.0, 140.0)),
        (150.0, u(110, 150), "stepping", on_band(HeldReading, 40.0, 140.0)),
        (150.0, u(110, 150), "handling", on_band(HeldReading, 40.0, 140.0)),
    )


def _shift(rng: np.random.Generator, kind: type[Fault]) -> float:
    if kind is EstimatorLatency:
        return float(rng.uniform(4.0, 15.0))
    return float(rng.uniform(3.0, 20.0) * rng.choice([-1.0, 1.0]))


def laid_out(parts: Sequence[Part]) -> tuple[list[Bout], list[Fault]]:
    """Lay parts end to end, each with its faults 5 s inside."""
    bouts: list[Bout] = []
    faults: list[Fault] = []
    start_s = 0.0
    for duration_s, demand_bpm, movement, make in parts:
        bouts.append(
            Bout(
                activity=f"part {len(bouts)}",
                duration_s=duration_s,
                demand_bpm=demand_bpm,
                movement=movement,
            )
        )
        if make is not None:
            for band in QUICK:
                faults += make(band.name, start_s + 5.0, start_s + duration_s - 5.0)
        start_s += duration_s
    return bouts, faults


def simulated_round(
    rng: np.random.Generator, table: dict[str, Counter[str]], verdict: Counter[str]
) -> None:
    """Add one round of simulated sessions to the confusion matrix.

    A disturbed ECG is refused by the reference's own verdict, so that its windows are never
    scored; ``verdict`` counts how many of those out of tolerance were. For the matrix the
    verdict is overruled, to see whether causes would have named the fault.
    """
    for bouts, faults in simulated_plans(rng):
        seed = int(rng.integers(2**31))
        pair = [
            simulate_session(seed=seed, bouts=bouts, bands=QUICK, faults=injected)
            for injected in ([], faults)
        ]
        reference = reference_of(pair[1].session)
        trusted = reference.windows["trusted"]
        if any(isinstance(fault, ElectrodeMotion) for fault in faults):
            overruled = reference.windows.with_columns(trusted=np.ones_like(trusted))
            reference = replace(reference, windows=overruled)
        sound = judge(pair[0].session, reference_of(pair[0].session), ("conventional",))
        for name, judged in judge(pair[1].session, reference, ("conventional",)).items():
            windows = judged.causes.windows
            before = WindowTable(windows.start_s, windows.end_s).joined(sound[name].causes.windows)
            wrong = (windows["status"] == OUTSIDE) & (before["status"] == "within")
            mine = [f for f in faults if f.source in (judged.band, CHEST)]
            inside = pair[1].truth.overlap(windows.start_s, windows.end_s)
            inside = inside[:, [faults.index(f) for f in mine]]
            alone = (inside > 0.99).any(axis=1) & ((inside > 0.0).sum(axis=1) == 1)
            for row in np.flatnonzero(wrong & alone):
                cause = mine[int(np.argmax(inside[row]))].cause
                if cause == "reference fault":
                    verdict["trusted" if trusted[row] else "refused"] += 1
                elif not trusted[row]:
                    continue
                if cause != "tracking lag" or judged.source == DEVICE:
                    table[cause][str(windows["cause"][row])] += 1


Dosed = tuple[type[Fault], float]
MIXED: tuple[tuple[Movement, Dosed, Dosed], ...] = (
    # Two causes at once, at doses that fail about as often (our choice).
    ("stepping", (CadenceCoupling, 1.5), (ContactLoss, 0.7)),
    ("gravel", (Shaking, 5.0), (ContactLoss, 0.7)),
    ("handling", (MotionCoupling, 2.5), (ContactLoss, 0.7)),
    ("still", (HarmonicLock, 0.9), (LowPerfusion, 0.85)),
)


def both(pair: Sequence[Dosed]) -> Callable[[str, float, float], list[Fault]]:
    """Return what makes these faults on a band over a stretch."""

    def make(band: str, start_s: float, end_s: float) -> list[Fault]:
        return [kind(source=band, start_s=start_s, end_s=end_s, dose=dose) for kind, dose in pair]

    return make


def mixed_round(rng: np.random.Generator, table: dict[str, Counter[str]]) -> None:
    """Add what windows with two causes at once are called."""
    parts: list[Part] = [
        (100.0, float(rng.uniform(80, 130)), movement, both(pair)) for movement, *pair in MIXED
    ]
    bouts, faults = laid_out(parts)
    sim = simulate_session(seed=int(rng.integers(2**31)), bouts=bouts, bands=QUICK, faults=faults)
    for judged in judge(sim.session, reference_of(sim.session), ("conventional",)).values():
        windows = judged.causes.windows
        mine = [i for i, fault in enumerate(faults) if fault.source == judged.band]
        inside = sim.truth.overlap(windows.start_s, windows.end_s)[:, mine] > 0.99
        for row in np.flatnonzero((inside.sum(axis=1) == 2) & (windows["cause"] != "")):
            pair = " and ".join(faults[mine[i]].cause for i in np.flatnonzero(inside[row]))
            table[pair][str(windows["cause"][row])] += 1


# --- real light -------------------------------------------------------------------------


def recordings(data: Path) -> Iterator[Session]:
    """Yield every real recording as a session of a chest ECG and one wrist band."""
    for one in treadmill_recordings(data):
        if one.ecg is not None:
            ecg = one.ecg[:, np.newaxis]
            yield as_session(one.name, ecg=ecg, ppg=one.ppg, acc=one.acc, fs_hz=125.0, unit="g")
    for other in wrist_recordings(data):
        ecg, ppg, acc = (
            resample(values, fs_hz=256.0, to_hz=128.0)
            for values in (other.ecg[:, np.newaxis], other.ppg, other.acc)
        )
        yield as_session(other.name, ecg=ecg, ppg=ppg, acc=acc, fs_hz=128.0, unit="m/s2")


def as_session(
    title: str, *, ecg: Floats, ppg: Floats, acc: Floats, fs_hz: float, unit: str
) -> Session:
    """Return the recording; its device shows the robust estimate once per second.

    On the half seconds, so that the readings of a half-open window lie about its middle: on
    whole ones they lie half a second before it, and the device would be as late already.
    """
    found = estimate(ppg, acc, fs_hz=fs_hz, method="robust")
    middle_s = (found.start_s + found.end_s) / 2.0
    start_s = np.arange(middle_s[0] + 0.5, middle_s[-1])
    device = RateSeries(
        source="heart_rate",
        start_s=start_s,
        end_s=start_s + 1.0,
        hr_bpm=np.interp(start_s, middle_s, found.hr_bpm),
        confidence=np.full(start_s.size, np.nan),
        reason=np.full(start_s.size, ""),
    )
    chest = Recording("chest", (Waveform("ecg", Role.ECG, ecg, fs_hz, "mV"),))
    light = Waveform("ppg", Role.PPG, ppg, fs_hz, "a.u.")
    motion = Waveform("acc", Role.ACC, acc, fs_hz, unit)
    return Session(title, (chest, Recording(WRIST, (light, motion), rates=(device,))))


def injections(rng: np.random.Generator, duration_s: float) -> Iterator[tuple[str, Fault]]:
    """Yield the name under which each fault is tabulated, and the fault."""
    u = rng.uniform
    start_s = float(u(20.0, 0.3 * duration_s))
    length_s = float(u(60.0, min(120.0, 0.5 * duration_s)))
    part: dict[str, Any] = {"source": WRIST, "start_s": start_s, "end_s": start_s + length_s}
    whole: dict[str, Any] = {"source": WRIST, "start_s": 0.0, "end_s": duration_s}
    yield "clock error", ClockError(**whole, dose=float(u(1, 20) * rng.choice([-1.0, 1.0])))
    yield "tracking lag", EstimatorLatency(**whole, dose=float(u(2.0, 15.0)))
    yield "leak of motion", MotionCoupling(**part, dose=float(u(1.5, 4.0)))
    yield "contact change", ContactLoss(**part, dose=float(u(0.5, 0.95)))
    yield (
        "harmonic error",
        HarmonicLock(**part, dose=1.0, factor=float(rng.choice([0.5, 2.0]))),
    )
    yield "held reading", HeldReading(**part, dose=float(u(40.0, 120.0)))


SOURCES = {
    "clock error": (DEVICE, "robust"),
    "tracking lag": (DEVICE,),
    "leak of motion": ("conventional", "robust"),
    "contact change": ("conventional", "robust"),
    "harmonic error": (DEVICE,),
    "held reading": (DEVICE,),
}
METHODS = ("conventional", "robust")
LEAST_RIGHT = 0.9
ON_CADENCE_BPM = 5.0
"""So near to a multiple of the cadence an estimate may be locked to it (``cadence_lock``)."""


@dataclass
class RealTally:
    """What the semi-synthetic part found."""

    named: dict[str, Counter[str]]
    offset_error_s: list[float]
    latency_error_s: list[float]
    unknown_clocks: int = 0

    def note_offset(self, fault: Fault, found: LightClock, untouched: LightClock) -> None:
        """Note by how much the clock's offset was missed."""
        if found.known and untouched.known:
            self.offset_error_s.append(found.offset_s - untouched.offset_s - fault.dose)
        else:
            self.unknown_clocks += 1

    def note_latency(self, fault: Fault, windows: WindowTable, wrong: NDArray[np.bool_]) -> None:
        """Note by how much the sentences' delay missed the latency."""
        named = wrong & (windows["cause"] == "tracking lag")
        if named.any():
            self.latency_error_s.append(float(np.median(windows["late_s"][named])) - fault.dose)


def real_session(session: Session, rng: np.random.Generator, tally: RealTally) -> None:
    """Put every fault into one recording and add what is named to the tally."""
    reference = reference_of(session)
    untouched = judge(session, reference, METHODS)
    status = untouched[f"{WRIST}, robust"].causes.windows["status"]
    scored = np.isin(status, ("within", OUTSIDE))
    if not scored.any() or np.mean(status[scored] == "within") < LEAST_RIGHT:
        print(f"  {session.title}: left out, the robust estimator is not right often enough")
        return
    duration_s = session.recordings[1].waveforms[0].duration_s
    for label, fault in injections(rng, duration_s):
        changed = inject_faults(session, [fault], seed=int(rng.integers(2**31)))
        for name, judged in judge(changed, reference, METHODS).items():
            if judged.source not in SOURCES[label]:
                continue
            windows = judged.causes.windows
            before = WindowTable(windows.start_s, windows.end_s).joined(
                untouched[name].causes.windows
            )
            wrong = (windows["status"] == OUTSIDE) & (before["status"] == "within")
            wrong &= np.abs(before["error_bpm"]) <= 0.5 * before["tolerance_bpm"]
            wrong &= (windows.start_s >= fault.start_s) & (windows.end_s <= fault.end_s)
            if isinstance(fault, HeldReading):
                wrong &= held_alone(fault, windows, before)
            tally.named[label] += Counter(windows["cause"][wrong].tolist())
            if label == "clock error" and judged.source == DEVICE:
                tally.note_offset(fault, judged.clock, untouched[name].clock)
            if label == "tracking lag":
                tally.note_latency(fault, windows, wrong)


def held_alone(fault: HeldReading, windows: WindowTable, before: WindowTable) -> NDArray[np.bool_]:
    """Tell where only holding made the error, ``(n,)``; the module says what that asks."""
    right = (before["status"] == "within").astype(np.float64)
    was_right = fault.shown(right, windows.middle_s) > 0.0
    on_cadence = np.abs(windows["cadence_bpm"]) <= ON_CADENCE_BPM
    return np.asarray(was_right & light_carries(windows)[0] & ~on_cadence)


# --- what is printed --------------------------------------------------------------------


def show_confusion(table: dict[str, Counter[str]]) -> None:
    """Print the confusion matrix and the balanced accuracy."""
    names = [cause.name for cause in CAUSES]
    columns = [*names, UNEXPLAINED]
    print(f"{'injected':18s}" + "".join(f"{name[:10]:>12s}" for name in columns) + "  named right")
    shares, decided = [], []
    for name in names:
        row, total = table[name], sum(table[name].values())
        share = row[name] / total if total else float("nan")
        shares.append(share)
        sure = total - row[UNEXPLAINED]
        decided.append(row[name] / sure if sure else float("nan"))
        print(
            f"{name:18s}" + "".join(f"{row[c]:12d}" for c in columns) + f"  {share:.3f} of {total}"
        )
    present = np.isfinite(shares)
    print(
        f"balanced accuracy over {present.sum()} causes {np.nanmean(shares):.3f} (target 0.90); "
        f"of windows not left unexplained {np.nanmean(decided):.3f}"
    )


def show_real(tally: RealTally) -> None:
    """Print shares named right, and what was recovered."""
    right = total = 0
    for label, row in tally.named.items():
        wanted = MOTION_CAUSES if label == "leak of motion" else (label,)
        hits, count = sum(row[name] for name in wanted), sum(row.values())
        right, total = right + hits, total + count
        listed = ", ".join(f"{name} {number}" for name, number in row.most_common())
        print(f"{label:16s} named right {hits / max(count, 1):.3f} of {count}: {listed}")
    print(f"all faults       named right {right / max(total, 1):.3f} of {total} (target 0.80)")
    for what, errors, target_s in (
        ("clock offset", tally.offset_error_s, 0.5),
        ("latency", tally.latency_error_s, 1.0),
    ):
        if errors:
            size = np.abs(errors)
            print(
                f"{what}: {np.mean(size <= target_s):.2f} of {size.size} recovered within "
                f"{target_s:g} s; median error {np.median(size):.2f} s, largest {size.max():.2f} s"
            )
    print(f"clocks that the light cannot tell: {tally.unknown_clocks}")


def main() -> None:
    """Run both parts."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--data", type=Path, help="folder that holds datasets/; simulated only without"
    )
    parser.add_argument("--rounds", type=int, default=3, help="rounds of simulated sessions")
    parser.add_argument("--seed", type=int, help="repeat a run instead of drawing a seed")
    arguments = parser.parse_args()
    seed = np.random.SeedSequence(arguments.seed).entropy
    rng = np.random.default_rng(seed)
    print(f"seed {seed}")
    began_s = time.perf_counter()
    table: dict[str, Counter[str]] = defaultdict(Counter)
    verdict: Counter[str] = Counter()
    for _ in range(arguments.rounds):
        simulated_round(rng, table, verdict)
    show_confusion(table)
    print(
        f"of windows that a disturbed ECG put out of tolerance the reference's own verdict refused "
        f"{verdict['refused']} and trusted {verdict['trusted']}"
    )
    mixed: dict[str, Counter[str]] = defaultdict(Counter)
    for _ in range(arguments.rounds):
        mixed_round(rng, mixed)
    for pair, row in mixed.items():
        listed = ", ".join(f"{name} {count}" for name, count in row.most_common())
        print(f"two causes at once, {pair}: {listed}")
    print(f"simulated sessions took {time.perf_counter() - began_s:.0f} s")
    if arguments.data is None:
        return
    began_s = time.perf_counter()
    tally = RealTally(defaultdict(Counter), [], [])
    for session in recordings(arguments.data):
        real_session(session, rng, tally)
    show_real(tally)
    print(f"real recordings took {time.perf_counter() - began_s:.0f} s")


if __name__ == "__main__":
    main()
