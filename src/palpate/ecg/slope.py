"""QRS detection by energy, shape and rhythm over the whole record.

Summits of the QRS-band energy are candidates. What speaks for one is its strength in units
of the QRS complexes around it, its resemblance to the record's own beats, and, the more so
the less clear the ECG is, its place in the rhythm. The sequence with the largest sum wins.
Several leads are fused by their clarity: strengths add as a weighted geometric mean, so that
an artefact in one lead needs the others' consent, while a lead that has dropped out keeps
silent.

The method is for recorded data: it looks both ways in time.
"""

from __future__ import annotations

import numpy as np

from palpate.ecg.beat_path import Rhythm, best_path, local_rhythm
from palpate.ecg.beat_shapes import learn_shapes, resemblance
from palpate.ecg.qrs_energy import (
    Grid,
    LeadEnergy,
    fused_strength,
    lead_energy,
    summits,
    working_grid,
)
from palpate.ecg.qrs_marks import placed
from palpate.signals import FloatArray, IntArray

_SHORTEST_S = 1.0  # less holds no beat and its surroundings
_FAINT = 0.1  # summits below this strength are not worth looking at
_UNDECIDED = 0.2  # the strength at which a summit may as well be a T wave
_STRENGTH_SLOPE = 4.0  # log-likelihood ratio per e-fold of strength
_STRENGTH_CAP = 6.0
_UNDECIDED_SHAPE = 0.7
_SHAPE_SLOPE = 8.0  # log-likelihood ratio per unit of correlation
_SHAPE_CAP = 2.0
_STRONG = 0.4  # a first guess at the beats, to learn rhythm from
_STRONG_EVIDENCE = 1.0
_HOPELESS = -2.0  # no rhythm makes up for this
_SETTLED = 7.0  # strong, and the image of a beat
_LEARN = 0.5  # ... and shapes
_CLEAR = 5.0  # clarity at which a beat may teach
_SURE_SHAPE = 0.8
_RHYTHM_CLARITY = 6.0  # below this clarity, rhythm counts in full
_LEAST_RHYTHM = 0.4
_NEAR_S = 0.05  # leads may peak this far apart


def slope_beats(leads: FloatArray, *, fs_hz: float) -> IntArray:
    """Return QRS sample indices of finite ``leads (n, k)``."""
    if leads.shape[0] < _SHORTEST_S * fs_hz:
        return np.zeros(0, dtype=np.intp)
    grid = working_grid(leads.shape[0], fs_hz)
    energies = [lead_energy(lead, grid) for lead in leads.T]
    tops = [summits(lead.strength, grid, above=_FAINT) for lead in energies]
    found = tops[0]
    if len(energies) > 1:
        found = summits(fused_strength(energies, grid), grid, above=_FAINT)
    if found.size == 0:
        return found
    share = np.array([grid.per_sample(lead.weight, found) for lead in energies])
    share /= share.sum(axis=0)
    strength = _agreed_strength(energies, found, share, grid)
    likeness = np.sum(
        [
            part * _likeness(lead, top, found, grid)
            for lead, top, part in zip(energies, tops, share, strict=True)
        ],
        axis=0,
    )
    clarity = np.sum(
        [part * grid.per_sample(e.clarity, found) for e, part in zip(energies, share, strict=True)],
        axis=0,
    )
    beats = _decided(found / grid.rate_hz, strength, likeness, clarity)
    return placed(energies[0].working, found[beats], leads[:, 0], grid)


def _decided(
    time_s: FloatArray, strength: FloatArray, likeness: FloatArray, clarity: FloatArray
) -> IntArray:
    """Return which candidates are beats."""
    evidence = np.clip(
        _STRENGTH_SLOPE * np.log(strength / _UNDECIDED), -_STRENGTH_CAP, _STRENGTH_CAP
    ) + np.clip(_SHAPE_SLOPE * (likeness - _UNDECIDED_SHAPE), -_SHAPE_CAP, _SHAPE_CAP)
    beats = np.flatnonzero((strength > _STRONG) & (evidence > _STRONG_EVIDENCE))
    clear = clarity >= min(_CLEAR, float(np.median(clarity)))
    certain = (likeness > _SURE_SHAPE) & clear
    rhythm = local_rhythm(time_s, beats, certain[beats])
    hopeful = np.flatnonzero(evidence > _HOPELESS)
    path = best_path(
        time_s[hopeful],
        evidence[hopeful],
        strength[hopeful],
        Rhythm(rhythm.rr_s[hopeful], rhythm.spread[hopeful]),
        rhythm_weight=np.clip(_RHYTHM_CLARITY / clarity[hopeful], _LEAST_RHYTHM, 1.0),
        settled=(evidence[hopeful] > _SETTLED) & (clarity[hopeful] >= _CLEAR),
    )
    return hopeful[path]


def _agreed_strength(
    energies: list[LeadEnergy], found: IntArray, share: FloatArray, grid: Grid
) -> FloatArray:
    """Return the weighted geometric mean of the leads' strengths near each candidate."""
    if len(energies) == 1:
        return np.maximum(energies[0].strength[found], _FAINT)
    reach = np.arange(-grid.samples(_NEAR_S), grid.samples(_NEAR_S) + 1)
    near = np.clip(found[:, np.newaxis] + reach, 0, grid.n - 1)
    logs = [np.log(np.maximum(e.strength[near].max(axis=1), _FAINT)) for e in energies]
    return np.asarray(np.exp(np.sum(share * logs, axis=0)))


def _likeness(energy: LeadEnergy, tops: IntArray, found: IntArray, grid: Grid) -> FloatArray:
    """Return how much each candidate resembles the beats of this lead, the best of ``tops``."""
    strong = tops[energy.strength[tops] > _LEARN]
    clarity = grid.per_sample(energy.clarity, strong)
    if strong.size:
        strong = strong[clarity >= min(_CLEAR, float(np.median(clarity)))]
    shapes = learn_shapes(energy.working, strong, grid)
    return resemblance(energy.working, found, shapes, grid)
