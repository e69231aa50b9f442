"""Heart rate per window from wrist light and motion, by estimators of rising defences."""

from palpate.heartrate.estimation import METHODS, estimate

__all__ = ["METHODS", "estimate"]
