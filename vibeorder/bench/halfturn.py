"""The half-turn test: how much of a runout belongs to each of two parts that are bolted together.

Angles counted on the moved part (the surface the stem runs on), which sits turned by phi on the fixed one:
    m(phi) = M + F exp(-i phi)          (counted on the fixed part: m(phi) = F + M exp(i phi))
Two mountings half a turn apart give M = (m0 + m1)/2 and F = (m0 - m1)/2; any other index angles, and more
than two mountings, by weighted least squares with a chi-square test of whether they agree.
Re-indexing to find the part that carries the runout is common practice, no source; the equations are sums
of vectors.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from vibeorder.bench.runout import Runout, RunoutLimit, Verdict, judge
from vibeorder.bench.sheet import Sheet, plus_minus_length
from vibeorder.bench.vectors import Vector, circular_difference_deg, scale
from vibeorder.errors import VibeorderError
from vibeorder.units import show_length

__all__ = [
    "Frame",
    "Mounting",
    "Shares",
    "as_mounting",
    "halfturn_sheet",
    "shares_of_parts",
    "solve_mountings",
]

Frame = Literal["moved", "fixed"]

# Mountings closer than this turn a small reading error into a large share.
MIN_INDEX_DEG = 30.0
# Mountings that honest errors would bring so far apart once in a hundred tests contradict each other.
CONTRADICTION_P = 0.01
SIGMAS = 2.0

REMINDERS = (
    "Mark both parts across the joint before unbolting, and count the angles from that mark.",
    "Where a crush sleeve or one-use straps, nuts and bolts are disturbed, replace them.",
)


@dataclass(frozen=True, slots=True)
class Mounting:
    """One measurement. index_deg: how far the moved part sits turned from its first position, in the
    direction the angles are counted. runout: first harmonic as total indicator
    reading, toward the high spot [m]. oval: second harmonic of the track, where full readings were taken;
    it belongs to the moved part alone.
    """

    index_deg: float
    runout: Vector
    oval: Vector | None = None


@dataclass(frozen=True, slots=True)
class Shares:
    """Runout of each part alone, as total indicator reading [m], each toward its own high spot at index 0.

    covariance: of (fixed x, fixed y, moved x, moved y) [m^2]. chi2, dof, p: agreement of the mountings,
    p None where nothing is left over to check. carrier: whose share is clearly the larger.
    contradiction: the sentence where they do not agree, else None.
    """

    fixed: Vector
    moved: Vector
    covariance: tuple[tuple[float, ...], ...]
    fixed_name: str = "flange"
    moved_name: str = "shaft"
    chi2: float = 0.0
    dof: int = 0
    p: float | None = None
    carrier: Literal["fixed", "moved", "both"] = "both"
    contradiction: str | None = None
    mountings: tuple[Mounting, ...] = ()
    frame: Frame = "moved"


def solve_mountings(
    mountings: Sequence[Mounting],
    *,
    frame: Frame = "moved",
    fixed_name: str = "flange",
    moved_name: str = "shaft",
) -> Shares:
    """Both parts' vectors from two or more mountings, with error bars.

    Raises VibeorderError for one mounting, or for mountings all in about the same position.
    """
    if len(mountings) < 2:
        raise VibeorderError(
            "one mounting cannot tell two parts apart; turn the part half a turn and read again"
        )
    _check_spread([m.index_deg for m in mountings])
    rows, targets = [], []
    for m in mountings:
        white = np.linalg.inv(np.linalg.cholesky(_covariance(m.runout)))
        rows.append(white @ _model(m.index_deg, frame))
        targets.append(white @ [m.runout.x, m.runout.y])
    x, y = np.vstack(rows), np.concatenate(targets)
    covariance = np.linalg.inv(x.T @ x)
    solution = covariance @ x.T @ y
    chi2, dof = float(np.sum((y - x @ solution) ** 2)), len(y) - 4
    chi2, dof = _add_ovals(mountings, frame, chi2, dof)
    p = _tail(chi2, dof)
    doubt = (
        f"the {'two' if len(mountings) == 2 else len(mountings)} measurements contradict each other"
        if p is not None and p < CONTRADICTION_P
        else None
    )
    shares = shares_of_parts(_vector(solution, covariance, 0), _vector(solution, covariance, 2), covariance)
    return Shares(
        shares.fixed, shares.moved, shares.covariance, fixed_name, moved_name, chi2, dof, p, shares.carrier,
        doubt, tuple(mountings), frame,
    )  # fmt: skip


def shares_of_parts(
    fixed: Vector,
    moved: Vector,
    covariance: np.ndarray | None = None,
    *,
    fixed_name: str = "flange",
    moved_name: str = "shaft",
) -> Shares:
    """Shares from two known vectors (total indicator readings [m]), independent without a covariance."""
    if covariance is None:
        covariance = np.zeros((4, 4))
        covariance[:2, :2], covariance[2:, 2:] = _covariance(fixed), _covariance(moved)
    gradient = np.zeros(4)
    for at, vector, sign in ((0, fixed, -1.0), (2, moved, 1.0)):
        if vector.length > 0.0:
            gradient[at : at + 2] = sign * np.array([vector.x, vector.y]) / vector.length
    se = math.sqrt(max(float(gradient @ covariance @ gradient), 0.0))
    difference = moved.length - fixed.length
    carrier: Literal["fixed", "moved", "both"] = "both"
    if abs(difference) > SIGMAS * se:
        carrier = "moved" if difference > 0.0 else "fixed"
    rows = tuple(tuple(row) for row in covariance.tolist())
    return Shares(fixed, moved, rows, fixed_name, moved_name, carrier=carrier)


def as_mounting(index_deg: float, result: Runout) -> Mounting:
    """A mounting from a full set of readings: twice the fitted offset, and the oval where it was fitted."""
    oval = None
    if result.fit is not None and result.fit.orders >= 2:
        from vibeorder.bench.harmonics import harmonic

        oval = harmonic(result.fit, 2)
    return Mounting(index_deg, scale(result.offset, 2.0), oval)


def halfturn_sheet(shares: Shares, unit: str, limit: RunoutLimit | None = None) -> Sheet:
    """The shares in words, in the user's unit."""
    if shares.contradiction:
        return Sheet(_sentence(shares, unit, limit), _as_read(shares, unit), REMINDERS)
    numbers = []
    for name, vector in ((shares.fixed_name, shares.fixed), (shares.moved_name, shares.moved)):
        numbers.append((f"{name} alone", plus_minus_length(vector.length, vector.length_se, unit)))
        numbers.append(
            (f"{name}'s high spot", f"{vector.angle_deg:.0f} ± {max(1.0, vector.angle_se_deg):.0f} deg")
        )
    if shares.p is not None:
        numbers.append(
            (
                "agreement of the mountings",
                f"good (chi-square {shares.chi2:.1f} on {shares.dof}, p {shares.p:.2g})",
            )
        )
    notes = list(REMINDERS)
    if shares.p is None:
        notes.append(
            "Two mountings leave nothing to check: put it back as it was first and read again, as a third."
        )
    return Sheet(_sentence(shares, unit, limit), tuple(numbers), tuple(notes))


def _sentence(shares: Shares, unit: str, limit: RunoutLimit | None) -> str:
    if shares.contradiction:
        return (
            f"{shares.contradiction[0].upper()}{shares.contradiction[1:]}: no pair of parts gives these readings. "
            "Check the marks, the bolts' seating and the stand, and read again."
        )
    lengths = {"fixed": shares.fixed, "moved": shares.moved}
    names = {"fixed": shares.fixed_name, "moved": shares.moved_name}
    if shares.carrier == "both":
        return (
            f"The {names['fixed']} and the {names['moved']} carry about the same: "
            f"{_amount(shares.fixed, unit)} and "
            f"{_amount(shares.moved, unit)}; try mating them high spot to low spot."
        )
    other = "fixed" if shares.carrier == "moved" else "moved"
    text = (
        f"The {names[shares.carrier]} carries most of it: "
        f"{_amount(lengths[shares.carrier], unit)} of its own against "
        f"{_amount(lengths[other], unit)} in the {names[other]}"
    )
    return f"{text}{_against_limit(lengths, names, unit, limit)}."


def _as_read(shares: Shares, unit: str) -> tuple[tuple[str, str], ...]:
    """Each mounting beside what the best pair of parts would have shown: a slipped mark stands out."""
    even = {"var_x": 1e-12, "var_y": 1e-12, "cov_xy": 0.0}
    plain = [Mounting(m.index_deg, replace(m.runout, **even)) for m in shares.mountings]
    best, on_moved, rows = solve_mountings(plain, frame=shares.frame), shares.frame == "moved", []
    still, carried = (best.moved, best.fixed) if on_moved else (best.fixed, best.moved)
    for m in shares.mountings:
        turned = _turn(-m.index_deg if on_moved else m.index_deg)
        x, y = np.array([still.x, still.y]) + turned @ [carried.x, carried.y]
        fits = Vector(float(x), float(y))
        rows.append(
            (
                f"turned {m.index_deg:.0f} deg",
                f"read {show_length(m.runout.length, unit)} at {m.runout.angle_deg:.0f} deg, "
                f"the nearest pair gives {show_length(fits.length, unit)} at {fits.angle_deg:.0f} deg",
            )
        )
    rows.append(("agreement of the mountings", f"none (chi-square {shares.chi2:.1f} on {shares.dof})"))
    return tuple(rows)


def _against_limit(
    lengths: dict[str, Vector], names: dict[str, str], unit: str, limit: RunoutLimit | None
) -> str:
    if limit is None:
        return ""
    verdicts: dict[str, Verdict] = {k: judge(v.length, v.length_se, limit) for k, v in lengths.items()}
    over = [names[k] for k, v in verdicts.items() if v == "over"]
    allowed = show_length(limit.limit_m, unit)
    if not over:
        return f"; neither alone is clearly over the limit of {allowed}"
    return f"; alone over the limit of {allowed}: {' and '.join(over)}"


def _amount(vector: Vector, unit: str) -> str:
    return plus_minus_length(vector.length, vector.length_se, unit)


def _check_spread(indices: Sequence[float]) -> None:
    apart = max(abs(circular_difference_deg(a, b)) for a in indices for b in indices)
    if apart < MIN_INDEX_DEG:
        raise VibeorderError(
            f"the mountings are only {apart:.0f} degrees apart and see the same sum; turn the part "
            "half a turn and read again"
        )


def _covariance(vector: Vector) -> np.ndarray:
    # 0.01 um: keeps a vector typed without an error from being infinitely sure.
    floor = 1e-16
    return np.array([[vector.var_x + floor, vector.cov_xy], [vector.cov_xy, vector.var_y + floor]])


def _turn(angle_deg: float) -> np.ndarray:
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return np.array([[c, -s], [s, c]])


def _model(index_deg: float, frame: Frame) -> np.ndarray:
    if frame == "moved":
        return np.hstack([_turn(-index_deg), np.eye(2)])
    return np.hstack([np.eye(2), _turn(index_deg)])


def _vector(solution: np.ndarray, covariance: np.ndarray, at: int) -> Vector:
    c = covariance
    return Vector(*solution[at : at + 2].tolist(), *map(float, (c[at, at], c[at + 1, at + 1], c[at, at + 1])))


def _add_ovals(mountings: Sequence[Mounting], frame: Frame, chi2: float, dof: int) -> tuple[float, int]:
    """The track's oval stays with the moved part in every mounting: a check that even two mountings have."""
    ovals = [m.oval for m in mountings]
    known = [o for o in ovals if o is not None]
    if frame != "moved" or len(known) < 2:
        return chi2, dof
    weights = [np.linalg.inv(_covariance(o)) for o in known]
    mean = np.linalg.solve(sum(weights), sum(w @ [o.x, o.y] for w, o in zip(weights, known, strict=True)))
    for w, o in zip(weights, known, strict=True):
        off = np.array([o.x, o.y]) - mean
        chi2 += float(off @ w @ off)
    return chi2, dof + 2 * len(known) - 2


def _tail(chi2: float, dof: int) -> float | None:
    if dof <= 0:
        return None
    from scipy.special import gammaincc  # the chi-square tail without the slow scipy.stats

    return float(gammaincc(dof / 2.0, chi2 / 2.0))
