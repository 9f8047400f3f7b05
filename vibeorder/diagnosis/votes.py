"""What all lines say of a course while one of them anchors it: bounded votes, so that none but the anchor decides."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.paths import spread
from vibeorder.diagnosis.scan import Scan
from vibeorder.diagnosis.signal import folded

__all__ = ["ASSIST_CAP", "engine_votes", "road_total", "road_votes"]

FloatArray = NDArray[np.float64]
F32 = NDArray[np.float32]

ASSIST_CAP = 3.0
"""What any one further line may add per frame to the course that an anchor line suggests."""

VOUCH_CAP = 1.5
"""What one road line may say in all for or against a correction of the wheel rate when an engine line anchors:
healthy lines are weak, and bumps and the slab joints of a road leave marks of that size anywhere."""

ON_ROAD_LINE_HZ = 0.9
"""An engine line this near a road-speed line does not vote on the gear."""


def road_votes(scan: Scan, candidates: Sequence[Candidate]) -> F32:
    """Bounded votes of the road-speed lines [shape (frames, cells)]."""
    frames, cells = scan.clock.mid_s.size, scan.clock.epsilon.size
    votes = np.zeros((frames, cells), np.float32)
    for t, track in enumerate(scan.tracks):
        if track.gear is None and candidates[track.candidate].guides:
            votes += np.minimum(scan.vote(t), ASSIST_CAP)
    return votes


def road_total(scan: Scan, candidates: Sequence[Candidate], wander: float) -> FloatArray:
    """What the road lines say of each constant correction; no one line more than VOUCH_CAP."""
    return sum(
        (
            np.clip(spread(np.minimum(scan.vote(t), ASSIST_CAP), wander).sum(axis=0), -VOUCH_CAP, VOUCH_CAP)
            for t, track in enumerate(scan.tracks)
            if track.gear is None and candidates[track.candidate].guides
        ),
        np.zeros(scan.clock.epsilon.size),
    )


def engine_votes(
    scan: Scan, candidates: Sequence[Candidate], states: list[int | None], sample_rate_hz: float
) -> F32:
    """Bounded votes of the engine's own lines in each state [shape (frames, states, engine cells)]."""
    votes = np.zeros((scan.clock.mid_s.size, len(states), scan.clock.engine_cells), np.float32)
    road = np.array([t.multiple for t in scan.tracks if t.gear is None and candidates[t.candidate].guides])
    for t, track in enumerate(scan.tracks):
        candidate = candidates[track.candidate]
        if track.gear in states and track.gear is not None and candidate.guides and not candidate.slack:
            alone = ~_on_road_line(scan, track.multiple, road, sample_rate_hz)
            votes[:, states.index(track.gear)] += np.minimum(scan.vote(t), ASSIST_CAP) * alone[:, None]
    return votes


def _on_road_line(scan: Scan, multiple: float, road: FloatArray, sample_rate_hz: float) -> NDArray[np.bool_]:
    """Frames in which an engine line runs on a road-speed line and so says nothing about the gear."""
    rate = scan.clock.rate_hz
    mine = folded(multiple * rate, sample_rate_hz)
    others = folded(road[:, None] * rate, sample_rate_hz)
    return np.asarray(np.abs(others - mine).min(axis=0, initial=np.inf) < ON_ROAD_LINE_HZ)
