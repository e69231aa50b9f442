"""Join the steps of a study: sources of many sessions in, errors and comparisons out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from palpate.study.comparison import Comparison, compare_conditions
from palpate.study.pooling import PooledErrors, pool_sessions
from palpate.study.sessions import (
    SessionErrors,
    SessionSource,
    session_errors,
    sessions_left_out,
)


@dataclass(frozen=True, slots=True, eq=False)
class StudyResult:
    """What many sessions tell together; ``sessions`` and ``wearers`` in order of appearance.

    ``left_out`` says in how many sessions an activity was too short to count for some source.
    """

    sessions: tuple[str, ...]
    wearers: tuple[str, ...]
    errors: tuple[SessionErrors, ...]
    pooled: tuple[PooledErrors, ...]
    comparisons: tuple[Comparison, ...]
    left_out: Mapping[str, int]


def study_sessions(sources: Iterable[SessionSource]) -> StudyResult:
    """Pool the errors of every condition over its sessions, and compare the conditions."""
    held = tuple(sources)
    errors = session_errors(held)
    return StudyResult(
        sessions=tuple(dict.fromkeys(one.session for one in held)),
        wearers=tuple(dict.fromkeys(one.wearer for one in held if one.wearer)),
        errors=errors,
        pooled=pool_sessions(errors),
        comparisons=compare_conditions(errors),
        left_out=sessions_left_out(held),
    )
