"""Which way to bolt two parts together so that their runouts cancel as far as the bolts allow.

On the fixed part's marks the sum at index phi is F + M exp(i phi); it is smallest at
phi = angle(F) + 180 - angle(M), where |F| and |M| subtract.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from vibeorder.bench.halfturn import REMINDERS, Shares
from vibeorder.bench.runout import RunoutLimit, Verdict, judge
from vibeorder.bench.sheet import Sheet, plus_minus_length
from vibeorder.bench.vectors import Vector
from vibeorder.errors import VibeorderError
from vibeorder.units import show_length

__all__ = ["Mating", "Position", "best_index_deg", "bolt_positions_deg", "mate", "mating_sheet"]

Remedy = Literal["mate", "measure again", "replace fixed", "replace moved", "replace both", "no limit"]


@dataclass(frozen=True, slots=True)
class Position:
    """index_deg: moved part turned from where it sits now. runout: predicted total indicator reading [m]."""

    index_deg: float
    runout: Vector
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Mating:
    """positions: every possible bolting in order of index; best and now are among them.

    remedy: whether matching alone meets the limit, or which part must be replaced.
    free_index_deg: the best angle if any were possible (a tire on its wheel).
    """

    positions: tuple[Position, ...]
    best: Position
    now: Position
    remedy: Remedy
    free_index_deg: float
    shares: Shares
    limit: RunoutLimit | None


def bolt_positions_deg(bolts: int) -> tuple[float, ...]:
    """Index angles of an even bolt circle: 2 for a joint in its yoke, 4, 6 or 8 bolts for a flange."""
    if not 1 < bolts <= 24:
        raise VibeorderError(f"{bolts} bolt positions cannot be; give 2 for a joint, or 3 to 24 bolts")
    return tuple(k * 360.0 / bolts for k in range(bolts))


def best_index_deg(shares: Shares) -> float:
    """The angle that brings the moved part's high spot to the fixed part's low spot, 0 to 360."""
    return (shares.fixed.angle_deg + 180.0 - shares.moved.angle_deg) % 360.0


def mate(shares: Shares, positions_deg: Sequence[float], limit: RunoutLimit | None = None) -> Mating:
    """Predicted runout at each index angle; the first must be 0, as the parts sit now."""
    positions = tuple(_predict(shares, index, limit) for index in positions_deg)
    best = min(positions, key=lambda p: p.runout.length)
    return Mating(
        positions, best, positions[0], _remedy(shares, best, limit), best_index_deg(shares), shares, limit
    )


def mating_sheet(result: Mating, unit: str, step_name: str = "bolt hole") -> Sheet:
    """The choice in words, and every position's prediction; step_name "" where any angle is possible."""
    numbers = []
    for k, position in enumerate(result.positions):
        value = plus_minus_length(position.runout.length, position.runout.length_se, unit)
        mark = " <- best" if position is result.best else ""
        verdict = "" if result.limit is None else f", {position.verdict}"
        numbers.append((_position_name(k, position, step_name), f"{value}{verdict}{mark}"))
    numbers.append(("best angle if any were possible", f"{result.free_index_deg:.0f} deg"))
    notes = (
        "This moves only the off-center part; what is oval stays oval.",
        "Turns count from the first mounting, in the direction of the angles.",
        *REMINDERS,
    )
    return Sheet(_sentence(result, unit, step_name), tuple(numbers), notes)


def _predict(shares: Shares, index_deg: float, limit: RunoutLimit | None) -> Position:
    c, s = math.cos(math.radians(index_deg)), math.sin(math.radians(index_deg))
    a = np.array([[1.0, 0.0, c, -s], [0.0, 1.0, s, c]])
    x, y = (a @ [shares.fixed.x, shares.fixed.y, shares.moved.x, shares.moved.y]).tolist()
    v = a @ np.asarray(shares.covariance) @ a.T
    total = Vector(x, y, float(v[0, 0]), float(v[1, 1]), float(v[0, 1]))
    return Position(index_deg, total, judge(total.length, total.length_se, limit))


def _remedy(shares: Shares, best: Position, limit: RunoutLimit | None) -> Remedy:
    """A new part is counted as true: what stays is the old one's own share."""
    if limit is None:
        return "no limit"
    if best.verdict != "over":
        return "mate" if best.verdict == "within" else "measure again"
    fixed, moved = shares.fixed, shares.moved
    smaller = moved if fixed.length > moved.length else fixed
    if judge(smaller.length, smaller.length_se, limit) == "over":
        return "replace both"
    return "replace fixed" if fixed.length > moved.length else "replace moved"


def _position_name(k: int, position: Position, step_name: str) -> str:
    if k == 0:
        return "as first mounted"
    if not step_name:
        return f"turned {position.index_deg:.0f} deg"
    return f"turned {k} {step_name}{'s' if k > 1 else ''} ({position.index_deg:.0f} deg)"


def _sentence(result: Mating, unit: str, step_name: str) -> str:
    shares, best = result.shares, result.best
    amount = show_length(best.runout.length, unit)
    if best is result.now:
        move = f"The first position is the best: {amount}"
    else:
        k = result.positions.index(best)
        place = _position_name(k, best, step_name).removeprefix("turned ")
        move = (
            f"Turn the {shares.moved_name} {place} on the {shares.fixed_name}: predicted {amount} instead of "
            f"{show_length(result.now.runout.length, unit)}"
        )
    if result.limit is None:
        return f"{move}."
    allowed = show_length(result.limit.limit_m, unit)
    return f"{move}; {_remedy_words(result, allowed)}."


def _remedy_words(result: Mating, allowed: str) -> str:
    shares = result.shares
    match result.remedy:
        case "mate":
            return f"that is within the limit of {allowed}, nothing needs replacing"
        case "measure again":
            return f"that is too close to the limit of {allowed} to promise: do it and measure again"
        case "replace both":
            return f"still over the limit of {allowed}, and so is each part alone: replace both"
        case _:
            worse = shares.fixed_name if result.remedy == "replace fixed" else shares.moved_name
            return f"still over the limit of {allowed}: replace the {worse}, it carries more"
