"""Motion flags: one word per window for what the arm did, by rules on measured features.

Rules, first match wins
-----------------------
========= ============================================== =======================
flag      holds from                                     until
========= ============================================== =======================
unknown   a feature is undefined (samples missing)
still     swing < 0.0225 g and shake < 0.05 g            either 30 % above
rhythmic  periodicity > 0.55: one period predicts the    < 0.45
          next
shaking   over half of the power lies above 4 Hz         under 40 %
bursty    the rest: movement that neither rests, nor
          repeats, nor shakes
========= ============================================== =======================

Swing is the rms of the acceleration vector in 0.3 to 4 Hz, shake the rms above 4 Hz. The
swing limit is that of van Hees et al. 2014 (J Appl Physiol 117:738) for a stationary
sensor, 13 mg in each of three axes; the shake limit leaves room for sensor noise.

Hysteresis: between its two limits a rule keeps the answer it gave in the window before,
so a flag does not flicker; an unknown window forgets. The other limits are our own choice, set
between the modes of open wrist recordings and not fitted to heart-rate errors;
``scripts/draw_motion_flags.py`` shows them on real data.
"""

from __future__ import annotations

import numpy as np

from palpate.conditioning.statistics import ratio
from palpate.signals import BoolArray, FloatArray, StrArray, WindowTable

FLAGS = ("still", "rhythmic", "bursty", "shaking", "unknown")

STILL_SWING_G, STILL_SHAKE_G = 0.0225, 0.05
STILL_ON, STILL_OFF = 1.0, 1.3
"""In multiples of the limits above."""
RHYTHMIC_ON, RHYTHMIC_OFF = 0.55, 0.45
SHAKING_ON, SHAKING_OFF = 0.5, 0.4


def motion_flags(table: WindowTable) -> StrArray:
    """Return per window ``"still"``, ``"rhythmic"``, ``"bursty"``, ``"shaking"`` or ``"unknown"``.

    Parameters
    ----------
    table
        As from ``motion_windows``, windows in order of time.
    """
    swing, shake = np.asarray(table["swing_rms_g"]), np.asarray(table["shake_rms_g"])
    shake = np.where(np.isnan(shake), 0.0, shake)  # too slow a sensor to see any
    total = np.hypot(swing, shake)
    share = ratio(shake**2, total**2, undefined=0.0)
    periodicity = np.asarray(table["periodicity"])
    known = np.isfinite(total) & np.isfinite(periodicity)
    effort = np.maximum(swing / STILL_SWING_G, shake / STILL_SHAKE_G)
    still = schmitt(-effort, on=-STILL_ON, off=-STILL_OFF, known=known)
    rhythmic = schmitt(periodicity, on=RHYTHMIC_ON, off=RHYTHMIC_OFF, known=known)
    shaking = schmitt(share, on=SHAKING_ON, off=SHAKING_OFF, known=known)
    return np.select(
        [~known, still, rhythmic, shaking],
        ["unknown", "still", "rhythmic", "shaking"],
        default="bursty",
    )


def schmitt(values: FloatArray, *, on: float, off: float, known: BoolArray) -> BoolArray:
    """Return where a rule holds: from ``> on`` until ``< off``, ``(n,)``.

    In between the last clear answer stands; at the start, and after an unknown value,
    that answer is no.
    """
    with np.errstate(invalid="ignore"):
        clear = (values > on) | (values < off) | ~known
        holds = (values > on) & known
    last_clear = np.maximum.accumulate(np.where(clear, np.arange(values.size), -1))
    return np.where(last_clear >= 0, holds[last_clear], False)
