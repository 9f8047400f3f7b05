"""How far lines run off their nominal ratio on one hypothesis: converter, belts, and tires of their own size."""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.converter import EXACT, MOST_SLIP, SLIP_LOG_PRIOR, slips_log_prior
from vibeorder.diagnosis.gears import GearCourse
from vibeorder.diagnosis.propose import Proposal
from vibeorder.diagnosis.rolling import OWN_SIZE_SD, rolls_off, turns_with_one_wheel, votes_beside
from vibeorder.diagnosis.scan import Scan
from vibeorder.diagnosis.slips import standing

__all__ = ["NO_OFFSETS", "Offsets", "fit_offsets", "wheel_offsets"]

FloatArray = NDArray[np.float64]
Offsets = dict[tuple[int, int | None], float]
"""Relative offset of each (candidate, gear) that has one; missing means none."""

NO_OFFSETS: tuple[Offsets, float] = ({}, 0.0)
"""None at all, and their log prior."""

GAIN_NEEDED = 2.0
"""Log evidence that slip must gain before it is believed, beside its prior: many values are tried."""

SLACK_REACH = 2.5
STEP = 0.001

SMALL_SLIP, SMALL_STEP = 0.012, 0.0005
SHOWS_FROM = 5.0
"""Slips up to which a frame is too short to show one, how finely they are looked for in blocks, and how far an engine's
line must stand out in the frames for that."""


def wheel_offsets(
    scan: Scan, candidates: Sequence[Candidate], proposal: Proposal, sample_rate_hz: float
) -> tuple[Offsets, float]:
    """Offsets of the wheels' own lines along a proposal's course, whatever the gears, and their log prior.

    The anchor's own line has none: the course is its.
    """
    offsets: Offsets = {}
    at: dict[float, float] = {}
    for t, track in enumerate(scan.tracks):
        if track.candidate == proposal.course.anchor or not turns_with_one_wheel(candidates[track.candidate]):
            continue
        if track.multiple not in at:
            at[track.multiple] = rolls_off(scan, t, proposal.course, sample_rate_hz)
        if at[track.multiple]:
            offsets[(track.candidate, None)] = at[track.multiple]
    return offsets, -0.5 * sum((off / OWN_SIZE_SD) ** 2 for off in at.values())


def fit_offsets(
    scan: Scan,
    candidates: Sequence[Candidate],
    proposal: Proposal,
    gears: GearCourse | None,
    wheels: tuple[Offsets, float] = NO_OFFSETS,
    sample_rate_hz: float = 0.0,
) -> list[tuple[Offsets, float]]:
    """Offsets worth weighing, each with its log prior: converter locked, and slipping where the lines ask for it.

    The anchor keeps the offset it was locked with. wheels: those of the wheels' lines, which are put to them all.
    sample_rate_hz: of the recording; 0 where slips too small for frames to show are not looked for.
    """
    return [
        ({**wheels[0], **own}, wheels[1] + log_prior)
        for own, log_prior in _engine_offsets(scan, candidates, proposal, gears, sample_rate_hz)
    ]


def _engine_offsets(
    scan: Scan,
    candidates: Sequence[Candidate],
    proposal: Proposal,
    gears: GearCourse | None,
    sample_rate_hz: float,
) -> list[tuple[Offsets, float]]:
    if gears is None:
        return [NO_OFFSETS]
    epsilon, anchor = proposal.course.epsilon, proposal.course.anchor
    anchored = gears is proposal.gears[0] and anchor is not None and candidates[anchor].basis == "engine"
    used = [int(g) for g in np.unique(gears.gear)]
    if anchored and anchor is not None and not candidates[anchor].slack:
        slips = proposal.slips or dict.fromkeys(used, proposal.offset)
        options = [{g: slips.get(g, 0.0) for g in used}]
    else:
        fitted = {g: _slip(scan, candidates, epsilon, gears, g) for g in used}
        if sample_rate_hz and anchor is not None and candidates[anchor].basis == "wheel":
            fitted = {
                g: slip or _small_slip(scan, candidates, proposal, gears, g, sample_rate_hz)
                for g, slip in fitted.items()
            }
        options = [dict.fromkeys(used, 0.0)]
        if any(fitted.values()):
            options.append(fitted)
    own = proposal.offset if anchored else None
    return [_with_slack(scan, candidates, proposal, gears, slips, own) for slips in options]


def _with_slack(
    scan: Scan,
    candidates: Sequence[Candidate],
    proposal: Proposal,
    gears: GearCourse,
    slips: dict[int, float],
    own: float | None,
) -> tuple[Offsets, float]:
    """Offsets of every engine source for one choice of slips, belts fitted on top."""
    epsilon, anchor = proposal.course.epsilon, proposal.course.anchor
    offsets: Offsets = {}
    for t, track in enumerate(scan.tracks):
        candidate = candidates[track.candidate]
        if track.gear is None or track.gear not in slips:
            continue
        offset = slips[track.gear]
        if candidate.slack and own is not None and track.candidate == anchor:
            offset = own
        elif candidate.slack:
            held = gears.gear == track.gear
            offset += _slack(scan, t, epsilon + offset, held, candidate.slack)
        if offset:
            offsets[(track.candidate, track.gear)] = offset
    return offsets, slips_log_prior(slips)


def _slip(
    scan: Scan, candidates: Sequence[Candidate], epsilon: FloatArray, gears: GearCourse, gear: int
) -> float:
    """Slip of the converter in one gear, 0 where locked explains the lines as well."""
    grid, held = np.asarray(np.arange(0.0, MOST_SLIP, STEP), float), gears.gear == gear
    return _told(scan, candidates, gear, grid, lambda t: standing(scan, t, epsilon, grid, held))


def _small_slip(
    scan: Scan,
    candidates: Sequence[Candidate],
    proposal: Proposal,
    gears: GearCourse,
    gear: int,
    sample_rate_hz: float,
) -> float:
    """Slip in one gear that blocks show and frames do not, 0 where locked explains the lines as well."""
    grid, held = np.asarray(np.arange(0.0, SMALL_SLIP, SMALL_STEP), float), gears.gear == gear

    def stands(t: int) -> FloatArray:
        if standing(scan, t, proposal.course.epsilon, grid[::4], held).max() > SHOWS_FROM:
            return votes_beside(scan, t, proposal.course, grid, sample_rate_hz, held)
        return np.zeros(grid.size)

    return _told(scan, candidates, gear, grid, stands)


def _told(
    scan: Scan,
    candidates: Sequence[Candidate],
    gear: int,
    slips: FloatArray,
    stands: Callable[[int], FloatArray],
) -> float:
    """The slip that the engine's lines in one gear speak most for, 0 where they speak for none as well.

    stands: how well a track stands at each of the slips.
    """
    support = np.zeros(slips.size)
    for t, track in enumerate(scan.tracks):
        candidate = candidates[track.candidate]
        if track.gear == gear and candidate.guides and not candidate.slack:
            support += stands(t)
    locked, best = support[slips <= EXACT].max(), int(support.argmax())
    return float(slips[best]) if support[best] - locked > GAIN_NEEDED - SLIP_LOG_PRIOR else 0.0


def _slack(scan: Scan, track: int, epsilon: FloatArray, held: NDArray[np.bool_], slack: float) -> float:
    """Belt slip of one accessory: where its line stands out, near its nominal ratio."""
    grid = np.arange(-SLACK_REACH * slack, SLACK_REACH * slack + STEP, STEP)
    support = standing(scan, track, epsilon, grid, held) - 0.5 * (grid / slack) ** 2
    return float(grid[int(np.argmax(support))])
