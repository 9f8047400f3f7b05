"""What the profile says may turn: whether a line at some order of the wheel can be one of this vehicle's at all."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.analyse import Piece
from vibeorder.diagnosis.gears import NOT_LOCKED
from vibeorder.diagnosis.orderlines import Ladder, OrderLine
from vibeorder.diagnosis.prepare import ENGINE_AHEAD
from vibeorder.diagnosis.reweighing import log_weight
from vibeorder.vehicle import Vehicle

__all__ = ["WORN", "ProfileRates", "profile_rates", "slab_joints", "wheel_scale"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

DOUBT, DOUBT_WITH_WHEEL = 0.03, 0.024
"""How far a line may lie from where the profile has it: tire and speed sensor (sd 1%, cut at 3%); less where the
wheels' own line is seen and the line is read against that."""

WORN = 0.045
"""How far above its place a wheel's own line may lie, in ln, before the tire is another one and not worn: tread worn
from 8 to 2 mm takes 2% off a radius of 0.32 m (arithmetic), low air, load and the speed sensor about as much again (a
judgement, no source)."""

WHEEL_ORDERS, SHAFT_ORDERS = (1, 2, 3, 4, 5, 6), (1, 2, 3, 4)
ENGINE_ORDERS = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0)
"""Orders at which a part turns with its own rate, in the catalogue or not: nothing is solved for at these."""

NEAR_BEST = 12.0
"""Courses of gears within this log weight of the best are taken as possible."""

IN_GEAR_SHARE = 0.3
"""Share of a line's frames in which a gear is possible from which an engine's line in it explains the line."""

ON_ENGINE = 0.006
"""A line this near an engine's order, in ln, at the rate that was fitted to all lines, is on it."""

SKIRT = 0.02
"""Lines nearer than this in ln(order) may be one that sways."""

JOINT_ORDERS = (0.3, 0.75)
"""Joints of a road of slabs 3 to 8 m apart strike so often per turn of a wheel."""

JOINTS_SEEN = 8.0
"""Log evidence from which a multiple of the joints' order is there."""


@dataclass(frozen=True, slots=True)
class ProfileRates:
    """scale: true over nominal wheel rate where the wheels' own line is seen, else 1, with its doubt.

    wheel: orders per wheel turn of all that the wheels drive. engine: (orders per engine turn, slack of its ratio).
    per_wheel: engine turns per wheel turn in each gear, or None; possible: which gears may have been in use, and
    loose: where the engine may have turned at no gear's rate [shape (frames, gears), (frames,)]. logged: engine turns
    per wheel turn as logged [shape (frames,)], or None. complete: all that turns has a known rate.
    """

    scale: float
    scale_seen: bool
    wheel: tuple[float, ...]
    engine: tuple[tuple[float, float], ...]
    per_wheel: FloatArray | None
    possible: BoolArray
    loose: BoolArray
    logged: FloatArray | None
    complete: bool

    @property
    def doubt(self) -> float:
        """How far off a line may lie, relative."""
        return DOUBT_WITH_WHEEL if self.scale_seen else DOUBT

    def explains(self, line: OrderLine) -> bool:
        """Whether something that turns in this profile may be this line."""
        return self.of_road(line, self.wheel) or self.engine_explains(line)

    def of_worn_tire(self, line: OrderLine) -> bool:
        """Whether the line may be one of the wheels' first three orders on tires that roll less far than nominal."""
        above = np.log(line.order / np.array([1.0, 2.0, 3.0]))
        return bool(((above > 0.0) & (above < WORN)).any())

    def of_road(self, line: OrderLine, orders: Sequence[float]) -> bool:
        """Whether the line may be at one of these orders of the wheel."""
        return bool((np.abs(np.log(line.order / (np.array(orders) * self.scale))) < self.doubt).any())

    def engine_explains(self, line: OrderLine) -> bool:
        """Whether the engine or what it drives may be this line, in a gear that may have been in use."""
        if self.logged is not None:
            return any(
                float(np.median(np.abs(np.log(line.order / (m * self.logged[line.held])))))
                < self.doubt + 2 * s
                for m, s in self.engine
            )
        if self.per_wheel is None:
            return False
        if float(self.loose[line.held].mean()) > IN_GEAR_SHARE:
            return True
        return any(
            -self.doubt - 2 * s < off < self.doubt + ENGINE_AHEAD + 2 * s for off, s in self._off_engine(line)
        )

    def of_engine_rather(self, line: OrderLine) -> bool:
        """Whether the line is at an engine's order in a gear that may have been in use, nearer than at a wheel's.

        As good as on it: then it tells nothing of the wheels' own rate.
        """
        off = min((abs(off) for off, _ in self._off_engine(line)), default=np.inf)
        return bool(
            off < ON_ENGINE and off < np.abs(np.log(line.order / (np.array(WHEEL_ORDERS) * self.scale))).min()
        )

    def _off_engine(self, line: OrderLine) -> list[tuple[float, float]]:
        """How far in ln(order) the line lies above each of the engine's, in each gear in use, and the slack of that."""
        if self.per_wheel is None:
            return []
        used = self.possible[line.held].mean(axis=0) > IN_GEAR_SHARE
        return [
            (float(np.log(line.order / (m * ratio * self.scale))), s)
            for m, s in self.engine
            for ratio in self.per_wheel[used]
        ]


def profile_rates(
    vehicle: Vehicle,
    pieces: Sequence[Piece],
    ladder: Ladder,
    lines: Sequence[OrderLine],
    engine_hz: FloatArray | None,
    per_wheel: FloatArray | None,
    asked: OrderLine | None = None,
) -> ProfileRates:
    """engine_hz: of the ladder's frames, where logged. per_wheel: engine turns per wheel turn in each gear, or None.

    asked: the line that is to be explained, which is no witness for the wheels' own rate.
    """
    candidates = pieces[0].judgement.candidates
    wheel, engine = set(), set()
    for c in candidates:
        base = c.multiple / c.order
        if c.basis == "wheel":
            orders = WHEEL_ORDERS if c.part in ("tire_wheel", "half_shaft") else SHAFT_ORDERS
            wheel |= {c.multiple} | {base * n for n in orders}
        else:
            orders_of = ENGINE_ORDERS if c.part == "engine" else (1.0, 2.0)
            engine |= {(c.multiple, c.slack)} | {(base * n, c.slack) for n in orders_of}
    possible, loose = _gears(pieces, ladder, 0 if per_wheel is None else per_wheel.size)
    logged = None if engine_hz is None else np.maximum(engine_hz, 0.1) / ladder.rate_hz
    complete = not vehicle.has_engine or per_wheel is not None or logged is not None
    unseen = ProfileRates(
        1.0, False, tuple(sorted(wheel)), tuple(sorted(engine)), per_wheel, possible, loose, logged, complete
    )
    fitted = replace(unseen, scale=1.0 + max(pieces, key=log_weight).judgement.hypotheses[0].constant)
    witnesses = [one for one in lines if asked is None or not _same(one, asked)]
    scale = wheel_scale([one for one in witnesses if not fitted.of_engine_rather(one)])
    return unseen if scale is None else replace(unseen, scale=scale, scale_seen=True)


def wheel_scale(lines: Sequence[OrderLine]) -> float | None:
    """True over nominal wheel rate by the wheels' own first two orders, or None where neither stands.

    Not by the third: many a driveshaft, or an engine in direct gear, turns about three times as fast as the wheels.
    """
    own = [(line.order / n, line.order_se / n) for line in lines for n in (1, 2) if _is(line.order / n)]
    if not own:
        return None
    ratio, se = (np.array(v) for v in zip(*own, strict=True))
    weight = 1.0 / (se**2 + 0.002**2)
    return float((ratio * weight).sum() / weight.sum())


def slab_joints(ladder: Ladder, line: OrderLine) -> bool:
    """Whether the line is one tooth of a comb of the road's joints: its neighbours in the comb stand too."""
    for k in range(1, 16):
        spacing = line.order / k
        if not JOINT_ORDERS[0] < spacing < JOINT_ORDERS[1]:
            continue
        teeth = [k + d for d in (-2, -1, 1, 2) if k + d >= 1]
        # an integer multiple of the wheel is no witness for joints
        teeth = [n for n in teeth if abs(spacing * n - round(spacing * n)) > 0.03 or round(spacing * n) > 3]
        seen = [ladder.near(spacing * n, 0.006) > JOINTS_SEEN for n in teeth]
        if len(seen) >= 2 and sum(seen) >= max(2, len(seen) - 1):
            return True
    return False


def _same(a: OrderLine, b: OrderLine) -> bool:
    """Whether two lines may be one: a strong one leaves a second of its own beside it."""
    return bool(abs(np.log(a.order / b.order)) < SKIRT)


def _is(ratio: float) -> bool:
    return bool(abs(np.log(ratio)) < DOUBT)


def _gears(pieces: Sequence[Piece], ladder: Ladder, gears: int) -> tuple[BoolArray, BoolArray]:
    """Which gears any course near the best has at each frame, and where one has none."""
    possible = np.zeros((ladder.mid_s.size, gears), bool)
    loose = np.zeros(ladder.mid_s.size, bool)
    for piece in pieces:
        own_s = ladder.mid_s - piece.start_s
        inside = np.flatnonzero((own_s >= 0.0) & (own_s <= piece.clock.mid_s[-1] + 0.5))
        weight = [float(np.logaddexp.reduce(h.log_class)) for h in piece.judgement.hypotheses]
        for hypothesis, w in zip(piece.judgement.hypotheses, weight, strict=True):
            if hypothesis.gears is None or w < max(weight) - NEAR_BEST:
                continue
            at = np.abs(piece.clock.mid_s[None, :] - own_s[inside, None]).argmin(axis=1)
            gear = hypothesis.gears.gear[at]
            locked = gear != NOT_LOCKED
            possible[inside[locked], gear[locked] - 1] = True
            loose[inside[~locked]] = True
    return possible, loose
