"""What the arm did: calibration, intensity, cadence, vibration, orientation, motion flags."""

from palpate.motion.cadence import Cadence, cadence
from palpate.motion.calibration import Calibration, calibrate
from palpate.motion.features import gyro_windows, motion_windows
from palpate.motion.flags import FLAGS, motion_flags
from palpate.motion.intensity import enmo_g, mad_g
from palpate.motion.units import UnitCheck, check_unit, to_g
from palpate.motion.vibration import hand_arm_weighted, vibration_label, wh_response

__all__ = [
    "FLAGS",
    "Cadence",
    "Calibration",
    "UnitCheck",
    "cadence",
    "calibrate",
    "check_unit",
    "enmo_g",
    "gyro_windows",
    "hand_arm_weighted",
    "mad_g",
    "motion_flags",
    "motion_windows",
    "to_g",
    "vibration_label",
    "wh_response",
]
