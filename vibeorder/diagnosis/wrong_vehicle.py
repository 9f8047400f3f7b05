"""The vehicle typed in wrong: a strong line keeps step with the road or the engine, and no part of it turns so fast.

Then no part may be named with confidence. What would turn at that rate is solved for: another axle ratio, another
tire size, a belt-driven part that the profile does not have.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.amplitudes import complaint_from
from vibeorder.diagnosis.analyse import Piece, Setting
from vibeorder.diagnosis.evidence import EVIDENCE_SHARE
from vibeorder.diagnosis.movingfloor import NOTHING_MOVES
from vibeorder.diagnosis.orderlines import Ladder, OrderLine, Part, ladder_of, order_lines
from vibeorder.diagnosis.other_profiles import PROFILE_WRONG, Stretch, other_profile, strained
from vibeorder.diagnosis.posterior import Posterior
from vibeorder.diagnosis.profile_rates import WORN, ProfileRates, profile_rates, slab_joints
from vibeorder.diagnosis.result import CLEARLY, Mismatch
from vibeorder.diagnosis.reweighing import log_weight
from vibeorder.diagnosis.roadcomb import BELOW_WHEEL, RoadComb, road_comb
from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.solve_profile import solutions, with_belt
from vibeorder.diagnosis.wrong_words import belt_words, solved_words, unlisted_words
from vibeorder.recording.store import excerpt
from vibeorder.spectrum.middle import log_spread
from vibeorder.vehicle import Vehicle

__all__ = ["given_back", "only_worn", "profile_mismatch", "with_unlisted"]

FloatArray = NDArray[np.float64]

MOVES_FROM = 0.08
"""Spread of ln(rate), 5 to 95%, from which a line that stays in its order cannot stand at a fixed frequency."""

LEAST_FRAMES, LEAST_SHARE = 6, 0.4
"""Frames of six seconds, and share of those that could show it, in which the line must stand."""

AS_STRONG = 0.8
"""A line weaker than this share of the strongest one that the profile does explain is not what is complained of."""

CELLS = 300.0
"""Places at which a line could have stood: about as many as a drive tells apart."""

WORTH_KEEPING = -4.0
"""Log odds below which another profile takes nothing from the parts: two in a hundred."""

JOINT_REACH, JOINT_TIMES = 0.012, 3.0
"""A line this near a tooth of the joints' comb may be its, in ln(order), up to so many times the strength that the
other teeth let expect."""

PULLEY = (0.6, 4.0)
"""Turns of a belt-driven part per engine turn, least and most (common practice, no source)."""

BETTER_STEP = 5.0
"""Log evidence by which the complaint keeps step with the engine better than with the wheels, from which a belt-driven
part is one of the other profiles."""

HALF_ORDER_REACH = 0.012
"""An engine's own half orders lie within this, relative."""


def profile_mismatch(
    signal: Signal,
    vehicle: Vehicle,
    pieces: Sequence[Piece],
    engine_hz: FloatArray | None,
    gear: int | None,
    low_range: bool,
    unit: str,
) -> Mismatch | None:
    """What speaks for a wrong profile, or None.

    pieces: the stretches as judged, on clocks made from a logged speed. engine_hz: engine turns per second at the
    samples, or None. gear: held throughout, where told. unit: of speed, as the user writes it.
    """
    ladder = ladder_of([_part(signal, p) for p in pieces])
    if ladder is None or log_spread(ladder.rate_hz) < MOVES_FROM:
        return None
    lines = order_lines(ladder)
    comb = road_comb(lines, vehicle.tire.circumference_m)
    loudest = _complaint([line for line in lines if not comb.makes(line)])
    at_frames = None if engine_hz is None else _at(engine_hz, ladder, signal)
    setting = Setting(vehicle, gear, low_range, engine_hz)
    rates = profile_rates(
        vehicle, pieces, ladder, lines, at_frames, setting.engine_per_wheel(), asked=loudest
    )
    turned = None if engine_hz is None else _turned(signal, pieces, engine_hz)
    by_engine = [] if turned is None else order_lines(turned)
    perhaps = None
    if loudest is not None and not _of_joints(pieces, ladder, comb, loudest):
        belt = _belt_asked(by_engine, loudest, rates)
        perhaps = _weighed(loudest, belt, ladder, rates, _stretch(signal, pieces, setting), pieces, unit)
    if perhaps is not None and perhaps.clear:
        return perhaps
    belt = None if turned is None else _belt_line(turned, by_engine, ladder, comb, rates)
    road = _unlisted(lines, partial(_listed, pieces, ladder, comb, rates))
    if belt is not None and (road is None or belt.evidence > road.evidence):
        return belt_words(belt, vehicle, unlisted_log_odds(belt))
    if road is None or not rates.complete:
        return perhaps
    return unlisted_words(road, rates, vehicle, unlisted_log_odds(road))


def _weighed(
    line: OrderLine,
    belt: OrderLine | None,
    ladder: Ladder,
    rates: ProfileRates,
    stretch: Stretch,
    pieces: Sequence[Piece],
    unit: str,
) -> Mismatch | None:
    """What other profiles make of the complaint, where they are worth a look and take anything from the typed one.

    belt: the same against the engine's angle, where it may be of a belt-driven part.
    """
    vehicle, gear = stretch.setting.vehicle, stretch.setting.gear
    tried = [] if belt is None else [with_belt(vehicle, belt.order)]
    if strained(line, max(pieces, key=log_weight), rates, gear):
        tried = [*solutions(line, ladder, rates, vehicle, _road_orders(pieces), gear), *tried]
    other = other_profile(tried, stretch)
    if other is None or other.log_odds < WORTH_KEEPING:
        return None
    return solved_words(line, belt, other, vehicle, rates, unit)


def _listed(
    pieces: Sequence[Piece], ladder: Ladder, comb: RoadComb, rates: ProfileRates, line: OrderLine
) -> bool:
    """Whether something that the profile has, or the road, explains the line."""
    below = line.order < BELOW_WHEEL * rates.scale
    own = rates.explains(line) or rates.of_worn_tire(line)
    return below or own or _of_joints(pieces, ladder, comb, line)


def only_worn(mismatch: Mismatch | None, vehicle: Vehicle) -> bool:
    """Whether all that does not fit is that the tires roll somewhat less far than typed: worn, soft or loaded.

    All that the wheels drive then moves together, and what a line is of does not depend on it.
    """
    if mismatch is None or mismatch.what != "tire_size":
        return False
    return bool(0.0 < np.log(vehicle.tire.circumference_m / mismatch.value) < WORN)


def unlisted_log_odds(line: OrderLine) -> float:
    """Log odds that a line is of a part that the profile has wrong or lacks, against chance."""
    return float(
        EVIDENCE_SHARE * line.evidence + np.log(PROFILE_WRONG / (1.0 - PROFILE_WRONG)) - np.log(CELLS)
    )


def with_unlisted(posterior: Posterior, mismatch: Mismatch | None, log_prior: FloatArray) -> Posterior:
    """The probabilities where the profile may be wrong: that share of them goes back to what they were before.

    log_prior: of the candidates and of nothing (last), of any sum.
    """
    if mismatch is None:
        return posterior
    return given_back(posterior, mismatch.share, log_prior)


def given_back(posterior: Posterior, share: float, log_prior: FloatArray) -> Posterior:
    """The probabilities with that share of them as before the recording; log_prior as for `with_unlisted`."""
    prior = np.exp(log_prior - np.logaddexp.reduce(log_prior))
    return Posterior(
        (1.0 - share) * posterior.candidate + share * prior[:-1],
        float((1.0 - share) * posterior.nothing + share * prior[-1]),
    )


def _part(signal: Signal, piece: Piece) -> Part:
    first = round(piece.start_s * signal.rate_hz)
    last = first + piece.clock.turns.size
    samples = excerpt(signal.samples, first, last)
    own = signal.of(samples, signal.valid[first:last])
    return (
        own,
        excerpt(piece.clock.turns, 0, last - first),
        piece.floor,
        piece.judgement.hypotheses[0].scan.moving,
        piece.start_s,
    )


def _at(values: FloatArray, ladder: Ladder, signal: Signal) -> FloatArray:
    index = np.clip(np.round(ladder.mid_s * signal.rate_hz).astype(int), 0, values.size - 1)
    return np.asarray(values[index], float)


def _road_orders(pieces: Sequence[Piece]) -> list[float]:
    """Orders of what the wheels drive, each once."""
    found: list[float] = []
    for c in pieces[0].judgement.candidates:
        if c.basis == "wheel" and all(abs(np.log(c.multiple / m)) > 0.02 for m in found):
            found.append(c.multiple)
    return found


def _stands(line: OrderLine) -> bool:
    """Whether a line is strong, moves, and stands through enough of the drive to be the complaint."""
    return (
        line.amplitude_rms >= complaint_from(line.band_noise_rms)
        and line.held.sum() >= LEAST_FRAMES
        and line.share >= LEAST_SHARE
        and line.spread >= MOVES_FROM
    )


def _complaint(lines: Sequence[OrderLine]) -> OrderLine | None:
    """The strongest line that stands, where no other is much stronger: that one may be its skirt, or of one gear."""
    standing = [line for line in lines if _stands(line)]
    if not standing:
        return None
    best = max(standing, key=lambda line: line.amplitude_rms)
    return best if best.amplitude_rms >= AS_STRONG * max(line.amplitude_rms for line in lines) else None


def _stretch(signal: Signal, pieces: Sequence[Piece], setting: Setting) -> Stretch:
    """The piece over the widest range of speeds."""
    piece = max(pieces, key=lambda p: float(np.ptp(np.log(np.maximum(p.clock.rate_hz, 0.1)))))
    own = setting
    if setting.engine_hz is not None:
        first = round(piece.start_s * signal.rate_hz)
        own = replace(setting, engine_hz=setting.engine_hz[first : first + piece.clock.turns.size])
    return Stretch(_part(signal, piece)[0], piece, own, len(pieces) == 1)


def _of_joints(pieces: Sequence[Piece], ladder: Ladder, comb: RoadComb, line: OrderLine) -> bool:
    """Whether the joints of the road may make the line, which keep step with the wheels at orders that no part has."""
    if comb.makes(line):
        return True
    for piece in pieces:
        joints = piece.judgement.hypotheses[0].scan.joints
        if joints.shows.any():
            tooth = max(round(line.order / joints.base), 1) * joints.base
            near = int(np.abs(joints.orders - tooth).argmin())
            if abs(np.log(line.order / tooth)) < JOINT_REACH:
                return line.amplitude_rms < JOINT_TIMES * float(joints.strength[near])
    return slab_joints(ladder, line)


def _unlisted(lines: Sequence[OrderLine], listed: Callable[[OrderLine], bool]) -> OrderLine | None:
    """The strongest line that nothing explains, where it is strong and steady enough to be the complaint."""
    known = [listed(line) for line in lines]
    rest = [
        line
        for line, is_known in zip(lines, known, strict=True)
        if not is_known and _stands(line) and unlisted_log_odds(line) > CLEARLY
    ]
    if not rest:
        return None
    best = max(rest, key=lambda line: line.amplitude_rms)
    strongest = max(
        (one.amplitude_rms for one, is_known in zip(lines, known, strict=True) if is_known), default=0.0
    )
    return best if best.amplitude_rms >= AS_STRONG * strongest else None


def _turned(signal: Signal, pieces: Sequence[Piece], engine_hz: FloatArray) -> Ladder | None:
    """The drive against the logged engine's angle, where that moves enough to tell anything."""
    parts = []
    for piece in pieces:
        part = _part(signal, piece)
        first = round(piece.start_s * signal.rate_hz)
        own = engine_hz[first : first + piece.clock.turns.size]
        parts.append((part[0], np.cumsum(own) / signal.rate_hz, part[2], NOTHING_MOVES, part[4]))
    turned = ladder_of(parts)
    return None if turned is None or log_spread(turned.rate_hz) < MOVES_FROM else turned


def _belt_line(
    turned: Ladder, lines: Sequence[OrderLine], ladder: Ladder, comb: RoadComb, rates: ProfileRates
) -> OrderLine | None:
    """A line at a multiple of a logged engine speed that neither the engine, a known accessory nor the road has.

    turned: the drive against the engine's angle, and its lines.
    """
    per_engine = np.interp(turned.mid_s, ladder.mid_s, ladder.rate_hz) / turned.rate_hz

    def listed(line: OrderLine) -> bool:
        of_road = np.median(
            np.abs(
                np.log(line.order / (np.array(rates.wheel)[:, None] * rates.scale * per_engine[line.held]))
            ),
            axis=1,
        )
        on_road = replace(line, order=line.order / float(np.median(per_engine[line.held])))
        return bool(
            not _of_belt(line, rates)
            or (of_road < rates.doubt).any()
            or comb.makes(on_road)
            or slab_joints(ladder, on_road)
        )

    return _unlisted(lines, listed)


def _of_belt(line: OrderLine, rates: ProfileRates) -> bool:
    """Whether a line against the engine's angle may be of a belt-driven part that the profile does not have."""
    halves = max(round(2.0 * line.order), 1) / 2.0
    return bool(
        PULLEY[0] <= line.order <= PULLEY[1]
        and abs(np.log(line.order / halves)) > HALF_ORDER_REACH
        and all(abs(np.log(line.order / m)) > HALF_ORDER_REACH + 2 * s for m, s in rates.engine)
    )


def _belt_asked(lines: Sequence[OrderLine], road: OrderLine, rates: ProfileRates) -> OrderLine | None:
    """The complaint against the engine's angle, where that fits better than the wheels' does `road`."""
    line = _complaint(lines)
    if line is None or not _of_belt(line, rates) or line.evidence < road.evidence + BETTER_STEP:
        return None
    return line
