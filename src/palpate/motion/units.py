"""What unit an accelerometer speaks: declared by its file, and checked against gravity.

The unit is never guessed from the numbers. But a wrist that rests measures 1 g
whichever way it points, so a wrong declaration (m/s2 called g, or the reverse) shows,
and is named.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from palpate.conditioning import window_samples
from palpate.conditioning.statistics import ratio, window_means
from palpate.signals import FloatArray
from palpate.validation import InputError, checked_columns, checked_rate

STANDARD_GRAVITY_MPS2 = 9.80665
"""Conventional value of the 3rd CGPM (1901), Resolution 2."""

G_PER_UNIT = {
    "g": 1.0,
    "mg": 1e-3,
    "m/s2": 1.0 / STANDARD_GRAVITY_MPS2,
    "m/s^2": 1.0 / STANDARD_GRAVITY_MPS2,
    "m/s²": 1.0 / STANDARD_GRAVITY_MPS2,
}

CHECK_FS_HZ = 16.0
"""Gravity needs no more samples; means and scatter do not mind aliasing."""
STILL_WINDOW_S = 2.0
STILL_RELATIVE_SD = 0.05
"""A window is still if its scatter is below this share of its mean vector (own choice)."""
FROZEN_RELATIVE_SD = 1e-6
"""Below this no sensor measures: a file's padding, or a dropout held at one value."""
MIN_STILL_WINDOWS = 3
AT_REST_FACTOR = 1.25
"""Gravity at stillness may be off by this factor: an uncalibrated sensor is within
80 mg of 1 g (van Hees 2014, Brazil cohort), so 25 % is wide."""
IN_MOTION_FACTOR = 2.0
"""A turning arm shortens the mean vector; the units differ by a factor of 9.8 or more."""
MOST_AT_REST_G, MOST_IN_MOTION_G = 2.0, 8.0
"""More is measured by no sensor whose scale is right, still or as the mean of a median two
seconds (own choice)."""
CARRIED_SHARE = 0.3
"""Where gravity was removed, the mean of two seconds is a smaller share of the movement."""


@dataclass(frozen=True, slots=True)
class UnitCheck:
    """Whether gravity agrees with the declared unit.

    ``verdict`` is ``"confirmed"``, ``"contradicted"`` (``likely_unit`` then says what
    fits, or nothing if no unit does) or ``"undecided"``; ``gravity_g`` is the magnitude at
    stillness in g under the declared unit (of two-second means where nothing is still,
    ``at_rest`` False); ``finding`` is one sentence, empty when confirmed.
    """

    verdict: str
    gravity_g: float
    at_rest: bool
    likely_unit: str
    finding: str


def to_g(acc: FloatArray, *, unit: str) -> FloatArray:
    """Return ``acc (n, axes)`` in g.

    Raises
    ------
    InputError
        If ``unit`` is none of ``G_PER_UNIT``.
    """
    try:
        factor = G_PER_UNIT[unit.strip()]
    except KeyError:
        raise InputError(
            f"the accelerometer's unit is {unit!r}; it must be one of {', '.join(G_PER_UNIT)}: "
            "state it, and divide counts by the sensor's counts per g first"
        ) from None
    return checked_columns(acc, "acc") * factor


def check_unit(acc: FloatArray, *, fs_hz: float, unit: str) -> UnitCheck:
    """Compare the magnitude at stillness with 1 g under the declared unit.

    Parameters
    ----------
    acc
        ``(n, 3)`` as recorded; other numbers of axes cannot be checked.
    unit
        As declared; one of ``G_PER_UNIT``.

    Returns
    -------
    UnitCheck
        ``"contradicted"`` only where exactly another known unit fits, or where what should
        be 1 g is far more in all of them.
    """
    acc_g = to_g(acc, unit=unit)
    if acc_g.shape[1] != 3:
        return UnitCheck("undecided", float("nan"), False, "", "gravity needs three axes")
    stride = max(int(checked_rate(fs_hz) / CHECK_FS_HZ), 1)
    gravity_g, at_rest = _gravity(acc_g[::stride], fs_hz / stride)
    if not np.isfinite(gravity_g):
        finding = "the accelerometer holds no finite sample"
        return UnitCheck("undecided", gravity_g, at_rest, "", finding)
    factor = AT_REST_FACTOR if at_rest else IN_MOTION_FACTOR
    if _near_one(gravity_g, factor):
        return UnitCheck("confirmed", gravity_g, at_rest, unit, "")
    recorded = gravity_g / G_PER_UNIT[unit.strip()]
    where = "at rest" if at_rest else "in the mean of its movement"
    for other in ("g", "mg", "m/s2"):
        if _near_one(recorded * G_PER_UNIT[other], factor):
            finding = (
                f"the accelerometer is declared in {unit} but measures {recorded:.3g} {unit} "
                f"{where}, which is 1 g in {other}: correct its unit"
            )
            return UnitCheck("contradicted", gravity_g, at_rest, other, finding)
    fault = (
        f"the accelerometer measures {recorded:.3g} {unit} {where} where gravity should show "
        "1 g, and no known unit fits:"
    )
    if gravity_g > (MOST_AT_REST_G if at_rest else MOST_IN_MOTION_G):
        finding = f"{fault} if these are counts, divide them by the sensor's counts per g"
        return UnitCheck("contradicted", gravity_g, at_rest, "", finding)
    finding = f"{fault} gravity was removed, or the sensor or its scale is at fault"
    return UnitCheck("undecided", gravity_g, at_rest, "", finding)


def _near_one(value: float, factor: float) -> bool:
    return 1.0 / factor <= value <= factor


def _gravity(acc_g: FloatArray, fs_hz: float) -> tuple[float, bool]:
    """Return the magnitude of the windows' mean vectors, and whether those are of still windows.

    0 where movement outweighs the mean so far that nothing speaks for gravity in it.
    """
    first, width = window_samples(
        acc_g.shape[0], fs_hz=fs_hz, window_s=STILL_WINDOW_S, step_s=STILL_WINDOW_S
    )
    if acc_g.shape[0] == 0:
        return float("nan"), False
    if first.size == 0:
        first, width = np.zeros(1, dtype=np.intp), acc_g.shape[0]
    centre = window_means(acc_g, first, width)
    square = window_means(acc_g**2, first, width).sum(axis=1)
    magnitude = np.linalg.norm(centre, axis=1)
    whole = np.isfinite(magnitude)
    if not whole.any():
        return float("nan"), False
    magnitude, square = magnitude[whole], square[whole]
    spread = ratio(np.sqrt(np.maximum(square - magnitude**2, 0.0)), magnitude)
    still = (spread < STILL_RELATIVE_SD) & (spread > FROZEN_RELATIVE_SD)
    if np.count_nonzero(still) >= MIN_STILL_WINDOWS:
        return float(np.median(magnitude[still])), True
    gravity_g = float(np.median(magnitude))
    carried = gravity_g > CARRIED_SHARE * float(np.median(np.sqrt(square)))
    return (gravity_g if carried else 0.0), False
