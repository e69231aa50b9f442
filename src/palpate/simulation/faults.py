"""The causes that a simulated session can be given, each with a dose that has a meaning.

A fault acts on one source (a band or the chest ECG) during ``[start_s, end_s)`` in
session seconds. Doses are ratios, seconds or shares; zero does nothing. ``cause`` is
the name under which the explanation stage should report what the fault does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from palpate.signals import FloatArray
from palpate.validation import InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One injected cause: where, when and how much."""

    cause: ClassVar[str] = ""
    dose_unit: ClassVar[str] = ""
    max_dose: ClassVar[float] = np.inf

    source: str
    start_s: float
    end_s: float
    dose: float

    def __post_init__(self) -> None:
        if not self.start_s < self.end_s:
            raise InputError(
                f"{self.kind} on {self.source!r} starts at {self.start_s:g} s and ends at "
                f"{self.end_s:g} s; it must end after it starts"
            )
        self._check_dose()

    def _check_dose(self) -> None:
        if not 0.0 <= self.dose <= self.max_dose or not np.isfinite(self.dose):
            raise InputError(
                f"{self.kind} on {self.source!r} has the dose {self.dose:g}; it must lie "
                f"between 0 and {self.max_dose:g} ({self.dose_unit})"
            )

    @property
    def kind(self) -> str:
        """Name of the fault's class."""
        return type(self).__name__

    @property
    def key(self) -> str:
        """Names the fault's random stream, whatever else is injected."""
        return f"{self.kind} {self.source} {self.start_s!r} {self.end_s!r}"


class MotionCoupling(Fault):
    """Wrist acceleration leaks into the light through a linear filter.

    Dose: RMS of the leak divided by RMS of the pulse, per wavelength. In a window
    where the two share a band, their coherence is dose² / (1 + dose²).
    """

    __slots__ = ()
    cause = "motion swamping"
    dose_unit = "leak RMS / pulse RMS"


class CadenceCoupling(MotionCoupling):
    """The same leak while the wrist moves in a rhythm, which estimators then follow."""

    __slots__ = ()
    cause = "cadence lock"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shaking(Fault):
    """Broadband vibration: in the accelerometer, and as incoherent noise in the light.

    Dose: RMS of the noise in the light divided by RMS of the pulse.
    """

    cause: ClassVar[str] = "shaking"
    dose_unit: ClassVar[str] = "noise RMS / pulse RMS"
    vibration_g: float = 0.6


class ContactLoss(Fault):
    """The sensor lifts off: pulse fades, ambient light enters until the converter clips.

    Dose: share of the pulse amplitude that is lost.
    """

    __slots__ = ()
    cause = "contact change"
    dose_unit = "share of the pulse lost"
    max_dose = 1.0


class PressureChange(Fault):
    """Grip and strap pressure jump: steps in the light's level that creep back.

    Dose: SD of the steps in pulse amplitudes (peak to peak).
    """

    __slots__ = ()
    cause = "contact change"
    dose_unit = "step SD / pulse amplitude"


class LowPerfusion(Fault):
    """Cold skin: the pulse shrinks, the level of the light stays.

    Dose: share of the pulse amplitude that is lost.
    """

    __slots__ = ()
    cause = "low perfusion"
    dose_unit = "share of the pulse lost"
    max_dose = 1.0


class EstimatorLatency(Fault):
    """The band's own heart rate comes late.

    Dose: seconds on top of the band's usual latency.
    """

    __slots__ = ()
    cause = "tracking lag"
    dose_unit = "s"


class HeldReading(Fault):
    """The band's own heart rate stands still while light and heart go on.

    Dose: seconds for which it keeps a reading before it takes the next.
    """

    __slots__ = ()
    cause = "held reading"
    dose_unit = "s"

    def shown(self, hr_bpm: FloatArray, time_s: FloatArray) -> FloatArray:
        """Return what is shown of readings taken at ascending session seconds, ``(n,)``."""
        if self.dose == 0.0:
            return hr_bpm
        inside = (time_s >= self.start_s) & (time_s < self.end_s)
        age_s = np.where(inside, np.mod(time_s - self.start_s, self.dose), 0.0)
        return hr_bpm[np.searchsorted(time_s, time_s - age_s)]


@dataclass(frozen=True, slots=True, kw_only=True)
class HarmonicLock(Fault):
    """Every pulse looks like two (factor 2) or every second pulse fades (factor ½).

    Dose: height of the added pulse, or share lost of every second pulse; also the
    share of the time for which the band's own heart rate reads ``factor`` times the
    truth.
    """

    cause: ClassVar[str] = "harmonic error"
    dose_unit: ClassVar[str] = "share of the pulse"
    max_dose: ClassVar[float] = 1.0
    factor: float = 2.0

    def _check_dose(self) -> None:
        Fault._check_dose(self)
        if self.factor not in (0.5, 2.0):
            raise InputError(f"HarmonicLock has the factor {self.factor:g}; it must be 0.5 or 2")


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockError(Fault):
    """The band's clock differs from what the session sheet states, all session long.

    Dose: true offset minus stated offset, in seconds, either sign.
    """

    cause: ClassVar[str] = "clock error"
    dose_unit: ClassVar[str] = "s"
    drift_ppm: float = 0.0

    def _check_dose(self) -> None:
        if not np.isfinite(self.dose):
            raise InputError(f"ClockError on {self.source!r} needs a finite offset in seconds")


class Ectopy(Fault):
    """Premature ventricular beats with a compensatory pause; the source is the heart.

    Dose: chance of each beat that follows a normal one to come early; 1 is bigeminy,
    where every second beat does.
    """

    __slots__ = ()
    cause = "irregular rhythm"
    dose_unit = "chance per beat"
    max_dose = 1.0


class ElectrodeMotion(Fault):
    """Electrode motion in the ECG, in the band of the QRS complex.

    Dose: noise RMS divided by the QRS signal amplitude (peak to peak / √8), so that the
    signal-to-noise ratio is -20 log10(dose) dB in the noise stress test's convention
    (Moody, Muldrow & Mark 1984, Computers in Cardiology 11:381).
    """

    __slots__ = ()
    cause = "reference fault"
    dose_unit = "noise RMS / (QRS peak to peak / √8)"
