"""Many sessions: what holds beyond one evening, and whether one device does better than another.

A session counts once, however many windows it has: the windows of one evening are alike,
so the spread between sessions is what carries over to the next one.
"""

from palpate.study.comparison import Comparison
from palpate.study.pooling import FEWEST_SESSIONS, PooledErrors
from palpate.study.result import StudyResult, study_sessions
from palpate.study.sessions import Condition, SessionErrors, SessionSource

__all__ = [
    "FEWEST_SESSIONS",
    "Comparison",
    "Condition",
    "PooledErrors",
    "SessionErrors",
    "SessionSource",
    "StudyResult",
    "study_sessions",
]
