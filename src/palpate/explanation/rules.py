"""The rules: what speaks for each cause, from named evidence to a score in 0..1.

``palpate.explanation.evidence`` defines the evidence. Every threshold is soft, stated beside
its reason, and our own choice where no source is named: set from what the measure means and
not fitted to recordings.
"""

from __future__ import annotations

import numpy as np

from palpate.conditioning.statistics import ratio
from palpate.explanation.softness import all_of, any_of, falling, rising, unless
from palpate.signals import FloatArray, WindowTable


class Evidence:
    """A window table that answers NaN for a column that it does not have."""

    def __init__(self, table: WindowTable) -> None:
        self._table = table

    def __getitem__(self, name: str) -> FloatArray:
        if name in self._table:
            return np.asarray(self._table[name], dtype=np.float64)
        return np.full(len(self._table), np.nan)

    @property
    def size_bpm(self) -> FloatArray:
        """Size of the error."""
        return np.abs(self["error_bpm"])

    @property
    def tolerance_bpm(self) -> FloatArray:
        """What the error may be."""
        return self["tolerance_bpm"]

    @property
    def quotient(self) -> FloatArray:
        """Estimate over reference."""
        return ratio(self["estimate_bpm"], self["reference_bpm"])


def share_removed(e: Evidence, left_bpm: FloatArray) -> FloatArray:
    """Return the share of the error that a repair removes; negative where it adds."""
    return 1.0 - ratio(np.abs(left_bpm), e.size_bpm)


def within_tolerance(e: Evidence, left_bpm: FloatArray) -> FloatArray:
    """Score that what a repair leaves is within tolerance."""
    return falling(ratio(np.abs(left_bpm), e.tolerance_bpm), 0.8, 1.2)


def pulse_outshone(e: Evidence) -> FloatArray:
    """Score that the light does not show the true rate clearly: under 8 dB sure, over 12 not.

    The highest of the band's 36 cells of flat noise stands 6 dB over their mean, and one
    motion line as strong as the pulse leaves the pulse 10 dB.
    """
    return falling(e["oracle_snr_db"], 8.0, 12.0)


def follows_motion(e: Evidence) -> FloatArray:
    """Score that the light follows the accelerometer.

    It predicts a quarter to a half of the light; or taking out what it predicts both lowers
    the line at the estimate and raises the one at the true rate, by 3 to 6 dB each.
    """
    traded = all_of(
        rising(e["estimate_lost_db"], 3.0, 6.0), rising(e["cancelling_gain_db"], 3.0, 6.0)
    )
    return any_of(rising(e["acc_explained_share"], 0.25, 0.5), all_of(traded, moved(e)))


def moved(e: Evidence) -> FloatArray:
    """Score movement below 4 Hz: 0.0225 g is the limit of a still wrist (motion flags)."""
    return rising(e["swing_rms_g"], 0.0225, 0.05)


def rhythmic(e: Evidence) -> FloatArray:
    """Score that the accelerometer repeats itself."""
    return rising(e["periodicity"], 0.4, 0.55)


def shaken(e: Evidence) -> FloatArray:
    """Score vibration above 4 Hz, 0.05 g being a still sensor's limit, that rules the movement."""
    fast, slow = e["shake_rms_g"] ** 2, e["swing_rms_g"] ** 2
    return all_of(rising(e["shake_rms_g"], 0.05, 0.2), rising(ratio(fast, fast + slow), 0.3, 0.6))


def level_upset(e: Evidence) -> FloatArray:
    """Score that the light's level moves, clips or goes missing.

    Breathing and vessel tone move the level by about a pulse height in a window. Less will do
    where it is several times what this recording's level usually does.
    """
    unusual = all_of(rising(e["level_move"], 0.75, 1.5), rising(e["level_unusual"], 3.0, 6.0))
    return any_of(
        unusual,
        rising(e["level_move"], 1.5, 3.0),
        rising(e["clipped_share"], 0.0, 0.05),
        rising(e["missing_share"], 0.0, 0.05),
    )


def irregular(e: Evidence) -> FloatArray:
    """Score RR irregularity.

    Sinus rhythm stays under 0.12; fibrillation, and every second beat early, lie over 0.2
    (common practice, no source).
    """
    return rising(e["irregularity"], 0.12, 0.24)


def harmonic_reading(e: Evidence) -> FloatArray:
    """Score that this estimate is some percent from half or double a reference that is right.

    Light shows half of what the ECG counts where every second beat is too early to pulse. Light
    that is read doubled still holds a line at the pulse's own rate; where it does not (the highest
    of 36 cells of flat noise stands 6 dB over their mean), the ECG has missed every second beat.
    """
    half = falling(np.abs(2.0 * e.quotient - 1.0), 0.05, 0.1)
    double = falling(np.abs(e.quotient / 2.0 - 1.0), 0.05, 0.1)
    return any_of(half, all_of(double, unless(falling(e["reference_snr_db"], 4.0, 8.0))))


def estimate_shown(e: Evidence) -> FloatArray:
    """Score that the light shows the estimate rather than the reference."""
    return all_of(
        rising(e["estimate_snr_db"], 8.0, 12.0),
        rising(e["estimate_snr_db"] - e["reference_snr_db"], 1.0, 4.0),
    )


def overdue(e: Evidence) -> FloatArray:
    """Score that the estimate stands although the reference that it would trail has moved."""
    return rising(ratio(e["held_bpm"], e.tolerance_bpm), 0.3, 0.6)


def reference_fault(e: Evidence) -> FloatArray:
    """The reference is doubtful, and light, others or a second detector show the estimate.

    Irregular beats alone are doubtful only where light and other sources show one steady
    rate; an early beat in every pair makes them show half the rate, and is no fault. Where the
    ECG's second detector counts what the estimate shows, no movement in the light speaks
    against that. Others agree within the tolerance at the estimate: that of a wrong, low
    reference is too narrow.
    """
    doubt = any_of(
        rising(np.abs(e["disagreement_bpm"]), 2.0, 6.0),
        falling(e["agreement"], 0.8, 0.95),
        falling(e["resemblance"], 0.6, 0.85),
        rising(ratio(np.abs(e["reference_jump_bpm"]), e.tolerance_bpm), 1.0, 3.0),
    )
    shown = all_of(unless(level_upset(e)), estimate_shown(e))
    at_estimate_bpm = e.tolerance_bpm * np.fmax(e.quotient, 1.0)
    agreed = falling(ratio(e["others_bpm"], at_estimate_bpm), 0.5, 1.0)
    undisputed = np.where(np.isfinite(e["others_bpm"]), agreed, 1.0)
    regular = all_of(doubt, any_of(shown, agreed), unless(irregular(e)))
    against = any_of(regular, all_of(irregular(e), shown, undisputed))
    left_bpm = e["error_bpm"] - e["disagreement_bpm"]
    dissent = all_of(
        doubt, within_tolerance(e, left_bpm), rising(share_removed(e, left_bpm), 0.5, 0.75)
    )
    seen = all_of(against, unless(follows_motion(e)))
    return all_of(any_of(seen, dissent), unless(harmonic_reading(e)))


def clock_error(e: Evidence) -> FloatArray:
    """The light shows another clock, and there the error is within tolerance or mostly gone."""
    off = rising(ratio(np.abs(e["clock_offset_s"]), e["clock_within_s"]), 1.0, 1.5)
    share = share_removed(e, e["repaired_bpm"])
    repaired = all_of(within_tolerance(e, e["repaired_bpm"]), rising(share, 0.1, 0.25))
    return all_of(off, any_of(repaired, rising(share, 0.25, 0.6)))


def held_reading(e: Evidence) -> FloatArray:
    """The estimate stands while the reference moves off and the light shows the pulse.

    Smoothing over some 10 s does not stand for twice as long. What is only late would have
    moved by now, and what the light shows is followed, not held. The pulse must be there once
    what motion explains is taken out. An irregular movement covers all rates, so before that as
    well the pulse must be a line of its own: the highest of 36 cells of flat noise stands 6 dB
    over their mean. A rhythm covers its multiples only, and draws an estimate there.
    """
    left_bpm = e["estimate_bpm"] - e["held_from_bpm"]
    gone_bpm = np.abs(e["reference_bpm"] - e["held_from_bpm"])
    return all_of(
        rising(e["held_s"], 10.0, 20.0),
        rising(ratio(gone_bpm, e.tolerance_bpm), 0.5, 1.0),
        rising(share_removed(e, left_bpm), 0.25, 0.6),
        overdue(e),
        rising(e["held_carried_share"], 0.5, 0.75),
        any_of(rising(e["held_prominence_db"], 4.0, 8.0), rhythmic(e)),
        unless(estimate_shown(e)),
    )


def cadence_lock(e: Evidence) -> FloatArray:
    """The estimate sits on the cadence of a rhythmic movement that the light follows.

    A line's peak is read to a third of a resolution cell, 2.5 bpm in 8 s, or in motion to two.
    """
    near = falling(np.abs(e["cadence_bpm"]), 2.5, 5.0)
    return all_of(near, rhythmic(e), moved(e), follows_motion(e))


def tracking_lag(e: Evidence) -> FloatArray:
    """One delay explains most of the error in the minute around here, and this one's.

    A value that is held matches some earlier reference too, but that one moves on. Devices
    average over 5 to 30 s (from memory); of still longer delays one fits a stray rate by chance
    where that has another reason.
    """
    stray = any_of(cadence_lock(e), reference_fault(e))
    return all_of(
        unless(overdue(e)),
        unless(all_of(rising(e["late_s"], 30.0, 31.0), stray)),
        within_tolerance(e, e["late_bpm"]),
        rising(share_removed(e, e["late_bpm"]), 0.25, 0.6),
        rising(e["late_gain"], 0.5, 0.8),
    )


def motion_swamping(e: Evidence) -> FloatArray:
    """The pulse is outshone by light that follows the accelerometer."""
    return all_of(pulse_outshone(e), follows_motion(e), moved(e))


def shaking(e: Evidence) -> FloatArray:
    """The pulse is outshone while the wrist vibrates, and no linear path leads there."""
    return all_of(pulse_outshone(e), shaken(e), unless(follows_motion(e)))


def contact_change(e: Evidence) -> FloatArray:
    """The level is upset, which movement does not explain, and outshines the pulse.

    A step has its power at the lowest frequencies and draws an estimate down.
    """
    drawn_down = falling(e.quotient, 0.7, 0.9)
    return all_of(
        any_of(pulse_outshone(e), drawn_down),
        level_upset(e),
        unless(follows_motion(e)),
        unless(shaken(e)),
    )


def low_perfusion(e: Evidence) -> FloatArray:
    """The light swings far less than usual, or hardly at all, while nothing moves.

    What outshines so faint a pulse is breathing and drift below the band, so it need not be
    lost within the band.
    """
    faint = any_of(falling(e["swing_share"], 0.3, 0.6), falling(e["perfusion_index_pct"], 0.1, 0.2))
    dim = falling(e["oracle_snr_db"], 12.0, 18.0)
    return all_of(faint, dim, unless(moved(e)), unless(level_upset(e)))


def harmonic_error(e: Evidence) -> FloatArray:
    """Estimates around here are half or double the reference, and this one is on the way there.

    A stray estimate comes so near to half or double by chance, and lasts: 8 s of overlapping
    windows and some 10 s of an estimator's memory let one hold for half of the 30 s looked at,
    two by more. A lock holds for most of them. The mean of readings of which some are locked
    lies between.
    """
    between = all_of(rising(e.quotient, 0.45, 0.5), falling(e.quotient, 2.0, 2.2))
    return all_of(between, rising(e["harmonic_share"], 0.5, 0.75))


def irregular_rhythm(e: Evidence) -> FloatArray:
    """Beats come so unevenly that the light has no clear line at their rate."""
    return all_of(irregular(e), pulse_outshone(e))
