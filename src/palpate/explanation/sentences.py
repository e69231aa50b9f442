"""Each verdict in one sentence with the numbers that it rests on; never more than they say."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from palpate.explanation.evidence import HARMONIC_OFF

Row = Mapping[str, Any]

HARDLY = 0.05
"""A score that is as good as none."""
WORTH_DB = 3.0
"""Gains below a doubling are not worth a word."""
WORTH_SHARE = 0.25
"""A share of the light that says something beside what taking it out does (see the rules)."""


def opened(text: str) -> str:
    """Return the text with a capital and a full stop."""
    return text[:1].upper() + text[1:] + "."


def reference_fault(row: Row) -> str:
    """Say who doubts the reference."""
    text = f"{_rates(row)}; the two beat detectors share {_percent(row, 'agreement')} of the beats"
    if row.get("dissenter"):
        text += f" and differ by {abs(_number(row, 'disagreement_bpm')):.0f} bpm"
    if _number(row, "estimate_snr_db") > _number(row, "reference_snr_db"):
        text += (
            f", and the light carries the estimate ({_said(row, 'estimate_snr_db')} dB) "
            f"rather than the reference ({_said(row, 'reference_snr_db')} dB)"
        )
    return text


def clock_error(row: Row) -> str:
    """Say how far the clock is off and what is left on the right one."""
    off_s = _number(row, "clock_offset_s")
    return (
        f"{_rates(row)}; the light shows that the band's clock is {abs(off_s):.1f} s "
        f"{'behind' if off_s > 0 else 'ahead'}, and on the right clock the error is "
        f"{_said(row, 'repaired_bpm', signed=True)} bpm"
    )


def cadence_lock(row: Row) -> str:
    """Say which multiple of the cadence the estimate sits on."""
    multiple = _number(row, "cadence_multiple")
    at = multiple * _number(row, "cadence_per_min")
    times = "cadence" if multiple == 1.0 else f"{multiple:g} times the cadence,"
    return (
        f"estimate {_said(row, 'estimate_bpm')} bpm sits on {times} {at:.0f}/min, "
        f"reference {_said(row, 'reference_bpm')}; {_motion_share(row)}"
    )


def motion_swamping(row: Row) -> str:
    """Say how much of the light is movement and what is left of the pulse."""
    return f"{_rates(row)}; {_motion_share(row)}, {_pulse(row)}"


def shaking(row: Row) -> str:
    """Say how strong the vibration is."""
    return (
        f"{_rates(row)}; the wrist vibrates with {_said(row, 'shake_rms_g', 2)} g above 4 Hz "
        f"({_said(row, 'swing_rms_g', 2)} g below), {_pulse(row)}"
    )


def contact_change(row: Row) -> str:
    """Say what the light's level did."""
    signs = [f"the light's level moves by {_said(row, 'level_move', 1)} pulse heights"]
    if _number(row, "clipped_share") > 0:
        signs.append(f"is clipped for {_percent(row, 'clipped_share')} of the window")
    if _number(row, "missing_share") > 0:
        signs.append(f"is missing for {_percent(row, 'missing_share')} of the window")
    return f"{_rates(row)}; {', '.join(signs)}, {_pulse(row)}"


def low_perfusion(row: Row) -> str:
    """Say how faint the pulse is."""
    text = f"{_rates(row)}; the light swings {_said(row, 'swing_share', 2)} times as high as usual"
    if not math.isnan(_number(row, "perfusion_index_pct")):
        text += f" (perfusion index {_said(row, 'perfusion_index_pct', 2)} %)"
    return f"{text} while the wrist is still"


def tracking_lag(row: Row) -> str:
    """Say how late the estimate is."""
    return (
        f"{_rates(row)}; it matches the reference {_said(row, 'late_s')} s earlier "
        f"(then the error is {_said(row, 'late_bpm', signed=True)} bpm)"
    )


def held_reading(row: Row) -> str:
    """Say for how long it stood, and what heart and light did meanwhile."""
    rose = _number(row, "reference_bpm") > _number(row, "held_from_bpm")
    return (
        f"it stood at {_said(row, 'estimate_bpm')} bpm for {_said(row, 'held_s')} s, while the "
        f"reference {'rose' if rose else 'fell'} from {_said(row, 'held_from_bpm')} to "
        f"{_said(row, 'reference_bpm')} here; the light carried the pulse in "
        f"{_percent(row, 'held_carried_share')} of that time"
    )


def harmonic_error(row: Row) -> str:
    """Say which fraction of the reference the estimate is, and how often around here."""
    ratio = _number(row, "estimate_bpm") / _number(row, "reference_bpm")
    which, exact = ("double", 2.0) if ratio > 1.0 else ("half", 0.5)
    way = "" if abs(ratio / exact - 1.0) <= HARMONIC_OFF else "on the way to "
    return (
        f"{_rates(row)}: {way}{which} the rate (ratio {ratio:.2f}), which "
        f"{_percent(row, 'harmonic_share')} of the windows outside tolerance around here show"
    )


def irregular_rhythm(row: Row) -> str:
    """Say how irregular the beats are."""
    return (
        f"{_rates(row)}; successive RR intervals differ by {_percent(row, 'irregularity')} of "
        f"their mean (root mean square)"
    )


def unexplained(row: Row, ranked: Sequence[tuple[float, str]], least_score: float) -> str:
    """Say what came nearest and why it was not enough."""
    first, *others = ranked
    if first[0] < HARDLY:
        return f"{_rates(row)}; nothing measured here speaks for a cause"
    if first[0] < least_score:
        return f"{_rates(row)}; no cause fits well enough (best: {first[1]}, score {first[0]:.2f})"
    second = others[0]
    return (
        f"{_rates(row)}; {first[1]} (score {first[0]:.2f}) and {second[1]} ({second[0]:.2f}) fit "
        "about equally well"
    )


def number_text(value: float, digits: int = 0, *, signed: bool = False) -> str:
    """Write a number with a true minus sign, and none before what rounds to zero."""
    return format(value, f"{'+' if signed else '-'}z.{digits}f").replace("-", "−")


def _said(row: Row, name: str, digits: int = 0, *, signed: bool = False) -> str:
    return number_text(_number(row, name), digits, signed=signed)


def _number(row: Row, name: str) -> float:
    return float(row.get(name, float("nan")))


def _percent(row: Row, name: str) -> str:
    return f"{100.0 * _number(row, name):.0f} %"


def _rates(row: Row) -> str:
    return f"estimate {_said(row, 'estimate_bpm')} bpm, reference {_said(row, 'reference_bpm')}"


def _motion_share(row: Row) -> str:
    share = f"{_percent(row, 'acc_explained_share')} of the light's in-band power"
    lost_db, gain_db = _number(row, "estimate_lost_db"), _number(row, "cancelling_gain_db")
    if lost_db >= WORTH_DB and gain_db >= WORTH_DB:
        large = f" ({share})" if _number(row, "acc_explained_share") >= WORTH_SHARE else ""
        return (
            f"without what follows the accelerometer{large} the estimate loses {lost_db:.0f} dB "
            f"and the true rate gains {gain_db:.0f} dB"
        )
    text = f"{share} follows the accelerometer"
    return (
        f"{text} (without it the true rate gains {gain_db:.0f} dB)" if gain_db >= WORTH_DB else text
    )


def _pulse(row: Row) -> str:
    return f"and the true rate stands {_said(row, 'oracle_snr_db')} dB over the rest"
