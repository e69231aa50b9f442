from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from palpate.conditioning import resample
from palpate.evaluation.scoring import scored_windows, trusted_rate
from palpate.explanation.oracle_split import missed_or_not
from palpate.explanation.variance import error_features, error_variance
from palpate.grid import wrist_signals
from palpate.pipeline import explain_session
from palpate.results import Options, SessionResult
from palpate.signals import RateSeries, Recording, Role, Session, held_until
from palpate.simulation import simulate_session
from palpate.validation import InputError


@pytest.fixture(scope="module")
def session(hut_result: SessionResult) -> Session:
    return hut_result.session


@pytest.fixture(scope="module")
def result(hut_result: SessionResult) -> SessionResult:
    return hut_result


@pytest.fixture(scope="module")
def brief() -> SessionResult:
    """Three minutes of both bands: enough for what holds whatever the length."""
    return explain_session(simulate_session(seed=4, scale=0.05).session)


def with_band(session: Session, name: str, **changes: object) -> Session:
    recordings = tuple(
        replace(r, **changes) if r.name == name else r  # type: ignore[arg-type]
        for r in session.recordings
    )
    return replace(session, recordings=recordings)


def test_the_reference_follows_the_simulated_truth(result: SessionResult, hut_sheet: Path) -> None:
    truth = np.genfromtxt(
        hut_sheet.parent / "truth_hr.csv", delimiter=",", names=True, dtype=None, encoding="utf-8"
    )
    time_s, hr_bpm = (truth[name] for name in truth.dtype.names[:2])
    windows = result.windows
    mean = np.array(
        [
            hr_bpm[(time_s >= start) & (time_s < end)].mean()
            for start, end in zip(windows.start_s, windows.end_s, strict=True)
        ]
    )
    trusted = windows["trusted"]
    assert trusted.mean() > 0.9
    assert np.median(np.abs(windows["hr_bpm"] - mean)[trusted]) < 1.5


def test_bands_and_their_own_series_are_sources(result: SessionResult) -> None:
    assert [s.name for s in result.sources] == [
        "Alder, device",
        "Alder, conventional",
        "Alder, robust",
        "Birch, device",
        "Birch, conventional",
        "Birch, robust",
    ]
    for source in result.sources:
        assert len(source.windows) == len(result.windows)
        assert scored_windows(source.windows).sum() > 100


def test_activity_counts_add_up_to_the_windows(result: SessionResult) -> None:
    for source in result.sources:
        for row in source.by_activity:
            assert row.errors.n + row.n_untrusted + row.n_no_estimate == row.n_windows
        assert source.by_activity[-1].n_windows == len(result.windows)


def test_moving_every_clock_alike_moves_the_windows_and_nothing_else(
    brief: SessionResult,
) -> None:
    session = brief.session
    moved = replace(
        session,
        recordings=tuple(
            replace(r, clock_offset_s=r.clock_offset_s + 100.0) for r in session.recordings
        ),
        activities=tuple(
            replace(a, start_s=a.start_s + 100.0, end_s=a.end_s + 100.0) for a in session.activities
        ),
    )
    later = explain_session(moved)
    np.testing.assert_allclose(later.windows.start_s, brief.windows.start_s + 100.0)
    for one, other in zip(later.sources, brief.sources, strict=True):
        np.testing.assert_allclose(one.windows["error_bpm"], other.windows["error_bpm"], atol=1e-6)


def test_an_accelerometer_of_another_rate_meets_the_light(brief: SessionResult) -> None:
    chest, band = brief.session.recordings[:2]
    assert band.name == "Alder"
    waveforms = tuple(
        replace(w, values=resample(w.values, fs_hz=w.fs_hz, to_hz=50.0), fs_hz=50.0)
        if w.role is Role.ACC
        else w
        for w in band.waveforms
    )
    slow = replace(brief.session, recordings=(chest, replace(band, waveforms=waveforms)))
    slower = explain_session(slow, Options(methods=("conventional",))).bands[0]
    mine, theirs = slower.motion["mad_g"], brief.bands[0].motion["mad_g"]
    both = np.isfinite(mine) & np.isfinite(theirs)
    assert both.sum() > 0.95 * len(mine)
    assert np.corrcoef(mine[both], theirs[both])[0, 1] > 0.98


def test_what_motion_can_be_measured_is_said_by_the_accelerometer_s_own_rate(
    session: Session,
) -> None:
    band = next(r for r in session.recordings if r.name == "Alder")
    acc = next(w for w in band.waveforms if w.role is Role.ACC)
    values = resample(acc.values, fs_hz=acc.fs_hz, to_hz=25.0)
    values[values.shape[0] // 2 :] = np.nan
    slow = tuple(
        replace(w, values=values, fs_hz=25.0) if w.role is Role.ACC else w for w in band.waveforms
    )
    result = explain_session(with_band(session, "Alder", waveforms=slow), Options(methods=()))
    alder = next(band for band in result.bands if band.recording.name == "Alder")
    assert "8 to 11.2 Hz" in alder.vibration
    (missing,) = (note for note in alder.notes if note.startswith("The accelerometer is missing"))
    n_missing, n_light = (int(word) for word in missing.split() if word.isdigit())
    assert n_missing == pytest.approx(n_light / 2, abs=3)
    unknown = alder.motion["flag"] == "unknown"
    assert np.count_nonzero(unknown) == n_missing


def test_drift_is_taken_up(session: Session, result: SessionResult) -> None:
    # A clock that runs 1 % wrong, and a sheet that says so, is no fault.
    band = next(r for r in session.recordings if r.name == "Alder")
    stretched = replace(
        band,
        waveforms=tuple(
            replace(w, fs_hz=w.fs_hz * 1.01, start_s=w.start_s / 1.01) for w in band.waveforms
        ),
        rates=(),
        clock_drift_ppm=1e4,
    )
    alone = replace(session, recordings=(session.recordings[0], stretched))
    again = explain_session(alone, Options(methods=("conventional",)))
    own = result.sources[1].windows["estimate_bpm"]
    difference = again.sources[0].windows["estimate_bpm"] - own
    assert np.nanmedian(np.abs(difference)) < 0.2


def test_ecg_alone_is_enough_for_a_reference(session: Session) -> None:
    alone = explain_session(replace(session, recordings=session.recordings[:1]))
    assert alone.bands == ()
    assert len(alone.windows) > 100


def test_a_session_without_ecg_is_refused(session: Session) -> None:
    with pytest.raises(InputError, match="role 'ecg'"):
        explain_session(replace(session, recordings=session.recordings[1:]))


def test_recordings_that_share_no_time_are_refused(session: Session) -> None:
    with pytest.raises(InputError, match="share no usable window"):
        explain_session(with_band(session, "Birch", clock_offset_s=90_000.0))


def test_a_fault_in_a_band_is_said_with_its_name(session: Session) -> None:
    """An accelerometer in m/s² that is declared in g."""
    band = session.recordings[1]
    waveforms = tuple(
        replace(w, values=9.80665 * w.values) if w.role is Role.ACC else w for w in band.waveforms
    )
    with pytest.raises(InputError, match=f"recording {band.name!r}: the accelerometer is declared"):
        explain_session(with_band(session, band.name, waveforms=waveforms))


def test_an_accelerometer_that_is_not_read_is_named(brief: SessionResult) -> None:
    chest, alder = brief.session.recordings[:2]
    acc = alder.of_role(Role.ACC)[0]
    axes = tuple(
        replace(acc, name=f"acc {i}", values=acc.values[:, i : i + 1], labels=(f"{i}",))
        for i in range(3)
    )
    rest = tuple(w for w in alder.waveforms if w.role is not Role.ACC)
    apart = replace(alder, waveforms=(*rest, *axes))
    again = explain_session(
        replace(brief.session, recordings=(chest, apart)), Options(methods=("conventional",))
    )
    (note,) = (note for note in again.bands[0].notes if "not read" in note)
    assert "on 'acc 0' alone; 'acc 1', 'acc 2' is not read" in note


def test_light_shorter_than_a_window_is_no_light(session: Session) -> None:
    band = next(r for r in session.recordings if r.name == "Alder")
    short = replace(
        band,
        waveforms=tuple(replace(w, values=w.values[: int(6 * w.fs_hz)]) for w in band.waveforms),
    )
    assert wrist_signals(band, window_s=8.0, step_s=2.0) is not None
    assert wrist_signals(short, window_s=8.0, step_s=2.0) is None


def test_an_ecg_shorter_than_a_window_is_refused(session: Session) -> None:
    chest = session.recordings[0]
    ecg = chest.of_role(Role.ECG)[0]
    short = replace(chest, waveforms=(replace(ecg, values=ecg.values[: int(5 * ecg.fs_hz)]),))
    with pytest.raises(InputError, match="at least one window"):
        explain_session(replace(session, recordings=(short,)))


def test_a_tolerance_can_be_set(brief: SessionResult) -> None:
    alder = replace(brief.session, recordings=brief.session.recordings[:2])
    strict = explain_session(alder, Options(absolute_bpm=1.0, relative=0.0))
    for one, other in zip(strict.sources, brief.bands[0].sources, strict=True):
        assert one.by_activity[-1].errors.share_within <= other.by_activity[-1].errors.share_within
        assert set(one.windows["tolerance_bpm"].tolist()) == {1.0}


def test_a_window_takes_the_median_of_the_device_s_readings(session: Session) -> None:
    start_s = np.arange(0.0, 60.0)
    readings = np.where(start_s < 30, 80.0, 100.0)
    rate = RateSeries("own", start_s, start_s + 1, readings, np.full(60, np.nan), np.full(60, ""))
    band = Recording("band", rates=(rate,))
    again = explain_session(replace(session, recordings=(session.recordings[0], band)))
    estimate = again.sources[0].windows["estimate_bpm"]
    assert estimate[0] == 80.0
    assert estimate[13] == 90.0  # [26, 34): four readings of 80, four of 100
    assert estimate[15] == 100.0
    assert np.isnan(estimate[40])


def test_how_rarely_a_device_updates_is_said(session: Session) -> None:
    chest, alder = session.recordings[:2]
    every_minute = {
        name: getattr(alder.rates[0], name)[::60]
        for name in ("start_s", "hr_bpm", "confidence", "reason")
    }
    every_minute["hr_bpm"] = np.nan_to_num(every_minute["hr_bpm"], nan=100.0)
    rate = RateSeries("own", end_s=held_until(every_minute["start_s"]), **every_minute)
    rare = replace(alder, waveforms=(), rates=(rate,))
    again = explain_session(replace(session, recordings=(chest, rare)))
    (note,) = again.bands[0].notes
    assert "comes every 60 s" in note
    assert again.sources[0].by_activity[-1].coverage > 0.95


def test_every_window_outside_tolerance_has_a_cause_and_a_sentence(result: SessionResult) -> None:
    for source in result.sources:
        outside = source.windows["status"] == "outside"
        assert np.array_equal(source.causes.windows["cause"] != "", outside)
        for window in np.flatnonzero(outside)[:5]:
            assert source.causes.sentence(int(window)).endswith(".")


def test_the_light_s_split_counts_every_window_outside_once(result: SessionResult) -> None:
    for source in result.sources:
        split = source.split
        assert split is not None
        assert split.n_missed + split.n_never_had_it + split.n_unknown == split.n_outside
        assert split.n_outside == np.count_nonzero(source.windows["status"] == "outside")


def test_light_on_a_wrong_clock_is_asked_for_the_rate_of_its_own_time(
    session: Session, result: SessionResult
) -> None:
    """An algorithm misses nothing where its number is held against another moment's rate."""
    band = session.recordings[1]
    late = with_band(session, band.name, clock_offset_s=band.clock_offset_s + 40.0)
    alone = replace(late, recordings=late.recordings[:2])
    moved = explain_session(alone, Options(methods=("robust",))).bands[0]
    plain_db, moved_db = (one.oracle["oracle_snr_db"] for one in (result.bands[0], moved))
    assert np.nanmedian(np.abs(moved_db[20:] - plain_db[:-20])) < 0.5
    device = moved.sources[0]
    assert device.split is not None
    off = device.causes.windows["cause"] == "clock error"
    assert np.count_nonzero(off) > 20
    _, judged = missed_or_not(device.windows.joined(moved.oracle), device.causes.ecg_wrong)
    assert np.count_nonzero(judged & off) < 0.05 * np.count_nonzero(off)
    assert device.split.n_unknown > 0.85 * device.split.n_outside


def test_a_clock_that_is_a_little_off_leaves_the_light_to_be_judged(result: SessionResult) -> None:
    birch = result.bands[1]  # 1.8 s off
    device = birch.sources[0]
    _, judged = missed_or_not(device.windows.joined(birch.oracle), device.causes.ecg_wrong)
    outside = np.count_nonzero(device.windows["status"] == "outside")
    assert np.count_nonzero(judged) > 0.7 * outside


def test_variance_is_shared_out_within_activities(result: SessionResult) -> None:
    band = result.bands[0]
    source = next(source for source in band.sources if source.variance is not None)
    scored = source.windows
    trusted_bpm = trusted_rate(result.windows)
    features = error_features(band.motion, band.light, band.oracle, trusted_bpm)
    error = np.where(scored_windows(scored), np.abs(scored["error_bpm"]), np.nan)
    within = error_variance(error, features, scored["activity"], step_s=2.0)
    assert source.variance.explained == pytest.approx(within.explained)
    assert source.variance.explained != pytest.approx(error_variance(error, features).explained)


def test_the_error_budget_sums_to_the_error(result: SessionResult) -> None:
    budgets = [s.budget for s in result.sources if s.budget is not None]
    assert budgets
    for budget in budgets:
        parts = [share.error_bpm for share in budget.shares]
        assert sum(parts) + budget.remainder.error_bpm == pytest.approx(budget.total_bpm)


def test_doubt_needs_no_reference(brief: SessionResult) -> None:
    for source in brief.sources:
        doubt = source.windows["doubt"]
        defined = np.isfinite(source.windows["estimate_bpm"])
        assert np.all((doubt[defined] >= 0) & (doubt[defined] <= 1))
    # An ECG whose beats are all gone after half the session changes no doubt.
    chest = brief.session.recordings[0]
    ecg = chest.of_role(Role.ECG)[0]
    values = ecg.values.copy()
    values[values.shape[0] // 2 :] = np.nan
    blind = with_band(brief.session, chest.name, waveforms=(replace(ecg, values=values),))
    again = explain_session(blind)
    for one, other in zip(again.sources, brief.sources, strict=True):
        np.testing.assert_allclose(one.windows["doubt"], other.windows["doubt"], atol=1e-9)


def test_swings_of_an_ecg_that_misses_beats_are_no_rises_to_be_seen(brief: SessionResult) -> None:
    chest = brief.session.recordings[0]
    (ecg,) = chest.of_role(Role.ECG)
    values, beats_s = ecg.values.copy(), brief.reference.beats.time_s
    lost = (np.random.default_rng(0).random(beats_s.size) < 0.45) & (beats_s > 20.0)
    for at_s in beats_s[lost & (beats_s < 46.0)]:
        first, last = (round((at_s + by_s) * ecg.fs_hz) for by_s in (-0.08, 0.08))
        values[first:last] = np.linspace(values[first], values[last], last - first, endpoint=False)
    torn = replace(chest, waveforms=(replace(ecg, values=values),))
    session = replace(brief.session, recordings=(torn, *brief.session.recordings[1:]))
    spoilt = explain_session(session, Options(methods=("robust",)))
    device = spoilt.bands[0].sources[0]
    assert np.count_nonzero(device.causes.ecg_wrong) >= 3
    early = [one.event for one in device.events if one.event.start_s < 46.0]
    assert early == []
