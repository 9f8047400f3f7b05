"""The vehicle typed in wrong: a strong line keeps step with the road or the engine, and no part of it turns so fast.

Then no part may be named with confidence. What would turn at that rate is solved for: another axle ratio, another
tire size, a belt-driven part that the profile does not have.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.amplitudes import complaint_from
from vibeorder.diagnosis.analyse import Piece, Setting
from vibeorder.diagnosis.evidence import EVIDENCE_SHARE
from vibeorder.diagnosis.movingfloor import NOTHING_MOVES
from vibeorder.diagnosis.orderlines import Ladder, OrderLine, Part, ladder_of, order_lines
from vibeorder.diagnosis.posterior import Posterior
from vibeorder.diagnosis.profile_rates import ProfileRates, profile_rates, slab_joints
from vibeorder.diagnosis.result import Mismatch
from vibeorder.diagnosis.reweighing import log_weight, reweighed
from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.solve_profile import Solution, solutions
from vibeorder.diagnosis.twins import readings_of
from vibeorder.diagnosis.wrong_words import belt_words, solved_words, unlisted_words
from vibeorder.recording.store import excerpt
from vibeorder.vehicle import Vehicle

__all__ = ["profile_mismatch", "with_unlisted"]

FloatArray = NDArray[np.float64]

MOVES_FROM = 0.08
"""Spread of ln(rate), 5 to 95%, from which a line that stays in its order cannot stand at a fixed frequency."""

LEAST_FRAMES, LEAST_SHARE = 6, 0.4
"""Frames of six seconds, and share of those that could show it, in which the line must stand."""

AS_STRONG = 0.8
"""A line weaker than this share of the strongest one that the profile does explain is not what is complained of."""

PROFILE_WRONG = 0.05
"""How often a profile is wrong in what a strong line turns with: other tires, another axle, a slip of the finger (a
judgement, no source)."""

CELLS = 300.0
"""Places at which a line could have stood: about as many as a drive tells apart."""

CLEARLY = 4.0
"""Log odds from which it is said."""

PRIOR_ODDS = float(np.log(PROFILE_WRONG) - np.log(20.0))
"""Log odds of one other profile: that the typed one is wrong, and that it is this one of some twenty."""

FAR_COURSE = -3.0
"""Log prior of a course of speed below which the speed is bent further than tire and sensor would have it."""

BORNE_OUT = 6.0
"""Log weight, beside its own line's, from which an engine's line is borne out by other lines and shifts."""

PULLEY = (0.6, 4.0)
"""Turns of a belt-driven part per engine turn, least and most (common practice, no source)."""

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
    if ladder is None or _spread(ladder) < MOVES_FROM:
        return None
    lines = order_lines(ladder)
    loudest = _complaint(lines)
    at_frames = None if engine_hz is None else _at(engine_hz, ladder, signal)
    setting = Setting(vehicle, gear, low_range, engine_hz)
    rates = profile_rates(vehicle, pieces, ladder, lines, at_frames, setting.engine_per_wheel())
    if loudest is not None and _strained(loudest, rates, pieces, gear):
        other = _better(loudest, ladder, rates, signal, pieces, setting)
        if other is not None:
            return solved_words(loudest, *other, rates, unit)
    belt = _belt_line(signal, pieces, engine_hz, ladder, rates)
    road = _unlisted(lines, lambda line: rates.explains(line) or slab_joints(ladder, line))
    if belt is not None and (road is None or belt.evidence > road.evidence):
        return belt_words(belt, vehicle, unlisted_log_odds(belt))
    if road is None or not rates.complete:
        return None
    return unlisted_words(road, rates, vehicle, unlisted_log_odds(road))


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
    prior = np.exp(log_prior - np.logaddexp.reduce(log_prior))
    share = 1.0 / (1.0 + float(np.exp(-mismatch.log_odds)))
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


def _spread(ladder: Ladder) -> float:
    return float(np.ptp(np.percentile(np.log(ladder.rate_hz), [5, 95])))


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


def _strained(line: OrderLine, rates: ProfileRates, pieces: Sequence[Piece], gear: int | None) -> bool:
    """Whether the profile as typed explains a line with effort only, so that others are worth judging it by.

    With ease: it lies at a low order of what the wheels drive, on a speed that is believed, or of the engine in the
    gear that was told; or the engine's other lines, or its changes of gear, bear out that it is the engine's.
    """
    piece = max(pieces, key=log_weight)
    judgement = piece.judgement
    best = judgement.best_for(int(np.argmax(judgement.log_class)))
    off = (float(best.course.epsilon.mean()) - piece.doubt.mean) / piece.doubt.sd
    if -0.5 * off**2 < FAR_COURSE:
        return True
    plain = [c.multiple for c in judgement.candidates if c.basis == "wheel" and c.order <= 3.0]
    if rates.of_road(line, plain) or (gear is not None and rates.engine_explains(line)):
        return False
    index = int(np.argmax(best.log_class[:-1]))
    reading = next(iter(readings_of(best.lines, index)), None)
    if judgement.candidates[index].basis == "wheel" or reading is None:
        return True
    gears = 0.0 if best.gears is None else best.gears.log_prior
    return float(best.log_class[index]) - reading.best - gears < BORNE_OUT


def _better(
    line: OrderLine,
    ladder: Ladder,
    rates: ProfileRates,
    signal: Signal,
    pieces: Sequence[Piece],
    setting: Setting,
) -> tuple[Solution, float] | None:
    """The profile that explains the stretch clearly better than the typed one, with its log odds; None where none."""
    piece = max(pieces, key=lambda p: float(np.ptp(np.log(np.maximum(p.clock.rate_hz, 0.1)))))
    part = _part(signal, piece)[0]
    own = setting
    if setting.engine_hz is not None:
        first = round(piece.start_s * signal.rate_hz)
        own = replace(setting, engine_hz=setting.engine_hz[first : first + piece.clock.turns.size])
    best: tuple[Solution, float] | None = None
    for one in solutions(line, ladder, rates, setting.vehicle, _road_orders(pieces), setting.gear):
        judged = reweighed(part, piece, one.vehicle, setting.vehicle, own)
        gain = log_weight(judged) - log_weight(piece) + PRIOR_ODDS
        if gain > CLEARLY and (best is None or gain > best[1]):
            best = (one, gain)
    return best


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


def _belt_line(
    signal: Signal,
    pieces: Sequence[Piece],
    engine_hz: FloatArray | None,
    ladder: Ladder,
    rates: ProfileRates,
) -> OrderLine | None:
    """A line at a multiple of a logged engine speed that neither the engine, a known accessory nor the road has."""
    if engine_hz is None:
        return None
    parts = []
    for piece in pieces:
        part = _part(signal, piece)
        first = round(piece.start_s * signal.rate_hz)
        own = engine_hz[first : first + piece.clock.turns.size]
        parts.append((part[0], np.cumsum(own) / signal.rate_hz, part[2], NOTHING_MOVES, part[4]))
    turned = ladder_of(parts)
    if turned is None or _spread(turned) < MOVES_FROM:
        return None
    per_engine = np.interp(turned.mid_s, ladder.mid_s, ladder.rate_hz) / turned.rate_hz

    def listed(line: OrderLine) -> bool:
        halves = max(round(2.0 * line.order), 1) / 2.0
        of_road = np.median(
            np.abs(
                np.log(line.order / (np.array(rates.wheel)[:, None] * rates.scale * per_engine[line.held]))
            ),
            axis=1,
        )
        return bool(
            not PULLEY[0] <= line.order <= PULLEY[1]
            or abs(np.log(line.order / halves)) < HALF_ORDER_REACH
            or any(abs(np.log(line.order / m)) < HALF_ORDER_REACH + 2 * s for m, s in rates.engine)
            or (of_road < rates.doubt).any()
            or slab_joints(ladder, replace(line, order=line.order / float(np.median(per_engine[line.held]))))
        )

    return _unlisted(order_lines(turned), listed)
