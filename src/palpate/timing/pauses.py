"""Where exactly a recording's clock jumped, once the clock on either side is known.

Around the jump, each sample of the recording is multiplied with the reference at the
place where either clock puts it. Before the jump the first clock fits and after it the
second, so the sum of the products of the first up to a sample and of the second from it
on is largest at the jump.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from palpate.timing.records import ClockPiece, Trace


def sharpened(
    reference: Trace, recording: Trace, pieces: list[ClockPiece], *, around_s: float
) -> list[ClockPiece]:
    """Move the ends where two pieces meet to the likeliest moment within ``around_s``."""
    moved = list(pieces)
    for place in range(len(moved) - 1):
        before, after = moved[place], moved[place + 1]
        if before.end_s != after.start_s:
            continue
        jump_s = _jump_s(reference, recording, before, after, around_s)
        moved[place : place + 2] = [replace(before, end_s=jump_s), replace(after, start_s=jump_s)]
    return moved


def _jump_s(
    reference: Trace, recording: Trace, before: ClockPiece, after: ClockPiece, around_s: float
) -> float:
    low_s = max(before.end_s - around_s, before.start_s)
    high_s = min(before.end_s + around_s, after.end_s)
    time_s = recording.times_s()
    inside = (time_s >= low_s) & (time_s < high_s) & np.isfinite(recording.values)
    if not inside.any():
        return before.end_s
    own_s, own = time_s[inside], recording.values[inside]
    own = own - own.mean()
    first, second = (
        own
        * np.nan_to_num(np.interp(piece.to_reference(own_s), reference.times_s(), reference.values))
        for piece in (before, after)
    )
    gain = np.concatenate(([0.0], np.cumsum(first - second)))
    return float(np.append(own_s, high_s)[int(np.argmax(gain))])
