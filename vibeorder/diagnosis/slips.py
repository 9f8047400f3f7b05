"""How well other lines stand on tracks shifted against a course, and what slip of the course's own line that tells."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.scan import Scan
from vibeorder.spectrum.middle import within

__all__ = ["slip_beside", "standing"]

FloatArray = NDArray[np.float64]

VOTE_CAP = 4.0
CLEAR_RATIO = 5.0
"""Power over noise of a channel from which a frame also says, by the logarithm, how near its line is: capped votes
alone hold a strong line to be as well off a whole bin beside its track as on it."""

MOSTLY_HEARD = 0.5
"""Share of the frames that must be off the road's joints until the rest are taken to be like them."""

CLEAR_OF_IT_HZ, VOUCHED = 2.0, 25.0
"""How far from a strong line another must run to tell its slip, and the most that one may say of it."""


def slip_beside(
    scan: Scan,
    candidates: Sequence[Candidate],
    anchor: int,
    line: FloatArray,
    gear: NDArray[np.intp],
    slips: FloatArray,
    log_prior: FloatArray,
) -> float:
    """The slip of an anchor's line at which the other lines stand best, its own wobble being known.

    line: course of the anchor's line against its nominal ratio, gear: that holds [shape (frames,) each]; slips: to
    choose from, and their log prior. The road's lines tell it, and of a belt's line the engine's too; those that run
    near the line itself do not: they would be sought on its skirt.
    """
    one = candidates[anchor]
    own = np.array([t.multiple for t in scan.tracks if t.candidate == anchor and t.gear in gear])
    support = log_prior
    for t, track in enumerate(scan.tracks):
        other = candidates[track.candidate]
        tells = track.gear is None or (bool(one.slack) and not other.slack and track.gear in gear)
        apart_hz = np.abs(own - track.multiple).min(initial=np.inf) * scan.clock.usual_hz
        if tells and other.guides and apart_hz > CLEAR_OF_IT_HZ:
            held = np.ones(gear.size, bool) if track.gear is None else gear == track.gear
            support = support + np.minimum(standing(scan, t, line, -slips, held), VOUCHED)
    return float(slips[int(np.argmax(support))])


def standing(
    scan: Scan, track: int, epsilon: FloatArray, grid: FloatArray, held: NDArray[np.bool_]
) -> FloatArray:
    """How well a line stands on a track shifted by each offset of the grid, over the frames held [shape of grid].

    Where a shifted track crosses the road's joints it is silent and taken to stand as in its other frames: were they
    counted as nothing, a line would be sought wherever no joints lie.
    """
    index = np.round((epsilon[held] + grid[:, None] - scan.clock.epsilon[0]) / scan.clock.step).astype(int)
    inside = (index >= 0) & (index < scan.evidence[track].shape[1])
    at = (np.flatnonzero(held), within(index, 0, scan.evidence[track].shape[1] - 1))
    evidence = scan.evidence[track][at]
    votes = np.minimum(evidence, VOTE_CAP)
    if track < len(scan.ratio):  # a track of the sound has none
        votes = votes + np.log(np.maximum(scan.ratio[track][at] / (scan.channels * CLEAR_RATIO), 1.0))
    heard = inside & (scan.vote(track)[at] == evidence)
    total = np.where(heard, votes, 0.0).sum(axis=1)
    share = heard.mean(axis=1)
    return np.asarray(np.where(share > MOSTLY_HEARD, total / np.maximum(share, MOSTLY_HEARD), total))
