"""What a run of the main job is asked and what it finds: records without behaviour."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from palpate.conditioning import STEP_S, WINDOW_S
from palpate.ecg import BeatReference
from palpate.evaluation.scoring import ActivityError
from palpate.explanation import CauseTable, OracleSplit
from palpate.explanation.budget import ErrorBudget
from palpate.explanation.dose_response import DoseResponse
from palpate.explanation.events import EventResponse
from palpate.explanation.variance import ErrorVariance
from palpate.signals import Recording, Session, WindowTable
from palpate.validation import checked_positive

DEVICE = "device"
DEFAULT_METHODS = ("conventional", "robust")


def is_device(source: str) -> bool:
    """Whether a source is a band's own heart rate; of several, each is ``"device NAME"``."""
    return source.startswith(DEVICE)


@dataclass(frozen=True, slots=True)
class Options:
    """What a run may be asked to do differently.

    ``absolute_bpm`` and ``relative`` set the tolerance
    ``max(absolute_bpm, relative * reference)``, the form of ANSI/AAMI EC13
    (its figures from memory: 5 bpm, 10 %).
    """

    window_s: float = WINDOW_S
    step_s: float = STEP_S
    methods: tuple[str, ...] = DEFAULT_METHODS
    absolute_bpm: float = 5.0
    relative: float = 0.10

    def __post_init__(self) -> None:
        checked_positive(self.window_s, "window_s")
        checked_positive(self.step_s, "step_s")


@dataclass(frozen=True, slots=True, eq=False)
class SourceResult:
    """One wrist heart rate against the reference: per window, per activity, against motion.

    ``windows`` is what :func:`palpate.evaluation.scoring.score_windows` returns, with the
    column ``doubt``: how likely the window is outside tolerance, told from light and motion
    without the reference (NaN without light). Of the rest, None means that it could not be
    determined:

    * ``by_activity``: errors per activity, the whole last;
    * ``dose``: error against motion intensity;
    * ``events``: what became of every rise and fall of the reference where the ECG does not seem
      to be wrong;
    * ``causes``: why each window is outside tolerance;
    * ``split``: whether the light carried the pulse there;
    * ``budget``: what each repair would remove, and ``untried``: why one was not offered;
    * ``variance``: which kind of evidence goes with the error.
    """

    band: str
    source: str
    windows: WindowTable
    by_activity: tuple[ActivityError, ...]
    dose: DoseResponse | None
    events: tuple[EventResponse, ...]
    causes: CauseTable
    split: OracleSplit | None
    budget: ErrorBudget | None
    untried: Mapping[str, str]
    variance: ErrorVariance | None

    @property
    def name(self) -> str:
        """Band and source, for tables and legends."""
        return f"{self.band}, {self.source}"


@dataclass(frozen=True, slots=True, eq=False)
class BandResult:
    """What one wrist recording did: motion and light per window, and its heart rates.

    ``motion`` is what :func:`palpate.motion.motion_windows` returns, with the column
    ``flag``; ``light`` is what :func:`palpate.ppg.ppg_windows` returns; ``oracle`` what
    :func:`palpate.explanation.oracle.oracle_windows` finds at the reference's rate. All
    lie on the session's grid, and have no columns where the band lacks the sensor.
    ``vibration`` says what ``motion`` holds as ``vibration_wh_mps2``, its band and its place
    (``""`` without accelerometer); ``notes`` are sentences on what is doubtful about the
    recording itself.
    """

    recording: Recording
    motion: WindowTable
    light: WindowTable
    oracle: WindowTable
    sources: tuple[SourceResult, ...]
    vibration: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class SessionResult:
    """All that one session tells; ``windows`` carries the reference on the grid."""

    session: Session
    options: Options
    reference_recording: Recording
    reference: BeatReference
    windows: WindowTable
    bands: tuple[BandResult, ...]

    @property
    def sources(self) -> tuple[SourceResult, ...]:
        """Every heart-rate source of every band."""
        return tuple(source for band in self.bands for source in band.sources)
