"""QRS detection by energy, shape and rhythm over the whole record.

Summits of the QRS-band energy are candidates, also those in the shadow of a higher one, for
the higher one may be an artefact. What speaks for a candidate is its strength in units of
the QRS complexes around it, its resemblance to the record's own beats, and, the more so the
less clear the ECG is, its place in the rhythm. The sequence with the largest sum wins.

Strength is judged against the noise: between the level of beats, which is 1, and the level
that the other summits around reach there is a point where a summit may be either (the
thresholds of Pan & Tompkins 1985, IEEE Trans Biomed Eng 32:230, lie between the same two
levels). Each lead judges by itself, within limits, and the mean weighted by clarity counts:
an artefact in one lead needs the others' consent, and a lead that has dropped out is silent.
Resemblance is judged likewise: where not even the strongest summits around look like the
record's beats, noise has spoilt the shapes, and looking unlike them speaks against none.

The method is for recorded data: it looks both ways in time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from palpate.ecg.beat_path import Rhythm, best_path, local_rhythm
from palpate.ecg.beat_shapes import learn_shapes, resemblance
from palpate.ecg.qrs_energy import (
    REFRACTORY_S,
    Grid,
    LeadEnergy,
    fused_strength,
    lead_energy,
    summits,
    vertices,
    working_grid,
)
from palpate.ecg.qrs_marks import placed
from palpate.signals import BoolArray, FloatArray, IntArray

_SHORTEST_S = 1.0  # less holds no beat and its surroundings
_FAINT = 0.1  # summits below this strength are not worth looking at
_UNDECIDED = 0.2  # the strength at which a summit may as well be a T wave
_DEPTH = 0.85  # ... or, in loud noise, so far down from beats to noise, in logarithms
_SUMMITS_AROUND = 61  # of 20 s or more; the median ignores short bursts
_NOISE_OVER_FLOOR = 3.0  # what is higher than that is no noise, but small beats or T waves
_SHADOW = 2.0  # log-likelihood ratio against a summit in the shadow of a higher one
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
    coarse = grid.halved()
    energies = [lead_energy(lead, grid) for lead in leads.T]
    strength = fused_strength(energies, coarse)
    found, leading = summits(strength, coarse, above=_FAINT)
    if found.size == 0:
        return found
    at = vertices(strength, found)
    weight = np.sqrt([coarse.at(found, lead.weight) for lead in energies])
    reach = coarse.samples(_NEAR_S) if len(energies) > 1 else 0
    candidates = Candidates(
        at / grid.rate_hz,
        leading,
        np.array([_strength_near(lead, found, reach) for lead in energies]),
        np.array([_likeness(lead, at, grid) for lead in energies]),
        np.array([coarse.at(found, lead.clarity) for lead in energies]),
        weight / weight.sum(axis=0),
    )
    return placed(energies[0].working, at[_decided(candidates)], leads[:, 0], grid)


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Summits as the leads see them.

    ``time_s`` and ``leading`` (highest in the refractory period) are ``(n,)``; the others
    are ``(leads, n)``, the weights adding to 1.
    """

    time_s: FloatArray
    leading: BoolArray
    strength: FloatArray
    likeness: FloatArray
    clarity: FloatArray
    weight: FloatArray


def _decided(seen: Candidates) -> IntArray:
    """Return which candidates are beats."""
    strength = np.exp(np.sum(seen.weight * np.log(seen.strength), axis=0))
    likeness = np.sum(seen.weight * seen.likeness, axis=0)
    clarity = np.sum(seen.weight * seen.clarity, axis=0)
    strong = seen.leading & (strength > _STRONG)
    evidence = _evidence(seen, ~strong)
    beats = np.flatnonzero(strong & (evidence > _STRONG_EVIDENCE))
    certain = (likeness > _SURE_SHAPE) & (clarity >= min(_CLEAR, float(np.median(clarity))))
    rhythm = local_rhythm(seen.time_s, beats, certain[beats])
    hopeful = np.flatnonzero(evidence > _HOPELESS)
    time_s, clarity = seen.time_s[hopeful], clarity[hopeful]
    path = best_path(
        time_s,
        evidence[hopeful],
        strength[hopeful],
        Rhythm(rhythm.rr_s[hopeful], rhythm.spread[hopeful]),
        rhythm_weight=np.clip(_RHYTHM_CLARITY / clarity, _LEAST_RHYTHM, 1.0),
        settled=_alone(time_s) & (evidence[hopeful] > _SETTLED) & (clarity >= _CLEAR),
    )
    return hopeful[path]


def _evidence(seen: Candidates, other: BoolArray) -> FloatArray:
    """Return the log-likelihood ratio of a beat for each candidate, the mean over leads.

    ``other (n,)`` says which candidates are hardly beats; they show how high noise reaches, and
    the rest how much of the shapes it has left.
    """
    noise = np.array([_typical(lead, other, otherwise=_FAINT) for lead in seen.strength])
    noise = np.minimum(noise, _NOISE_OVER_FLOOR / np.maximum(seen.clarity, 1.0))
    undecided = np.maximum(noise**_DEPTH, _UNDECIDED)
    by_strength = _STRENGTH_SLOPE * np.log(seen.strength / undecided)
    alike = [_typical(lead, ~other, otherwise=_UNDECIDED_SHAPE) for lead in seen.likeness]
    by_shape = _SHAPE_SLOPE * (seen.likeness - np.minimum(alike, _UNDECIDED_SHAPE))
    by_lead = np.clip(by_strength, -_STRENGTH_CAP, _STRENGTH_CAP)
    by_lead += np.clip(by_shape, -_SHAPE_CAP, _SHAPE_CAP)
    evidence = np.sum(seen.weight * by_lead, axis=0)
    return np.asarray(evidence - np.where(seen.leading, 0.0, _SHADOW))


def _typical(values: FloatArray, among: BoolArray, *, otherwise: float) -> FloatArray:
    """Return the median of the summits ``among`` all around each of all ``(n,)``.

    ``otherwise`` is for where there are none.
    """
    at = np.flatnonzero(among)
    if at.size == 0:
        return np.full(values.size, otherwise)
    level = ndimage.median_filter(values[at], _SUMMITS_AROUND)
    return np.interp(np.arange(values.size), at, level)


def _alone(time_s: FloatArray) -> BoolArray:
    """Return which of sorted times have no other within the refractory period."""
    apart = np.diff(time_s, prepend=-np.inf, append=np.inf) >= REFRACTORY_S
    return apart[1:] & apart[:-1]


def _strength_near(lead: LeadEnergy, found: IntArray, reach: int) -> FloatArray:
    """Return the highest strength of one lead within ``reach`` samples of each summit."""
    near = found + np.arange(-reach, reach + 1)[:, np.newaxis]
    highest = lead.strength.take(near, mode="clip").max(axis=0)
    return np.asarray(np.maximum(highest, _FAINT, dtype=np.float64))


def _likeness(energy: LeadEnergy, at: IntArray, grid: Grid) -> FloatArray:
    """Return how much each candidate, a sample of the lead, resembles the lead's beats."""
    coarse = grid.halved()
    found, leading = summits(energy.strength, coarse, above=_LEARN)
    strong = found[leading]
    clarity = coarse.at(strong, energy.clarity)
    if strong.size:
        strong = strong[clarity >= min(_CLEAR, float(np.median(clarity)))]
    shapes = learn_shapes(energy.working, vertices(energy.strength, strong), grid)
    return resemblance(energy.working, at, shapes, grid)
