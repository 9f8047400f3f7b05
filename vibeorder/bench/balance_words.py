"""A balance in words: what weight goes where, and what it leaves."""

import cmath
import math
from collections.abc import Sequence

from vibeorder.bench.balance import Balance, Residual, two_clamps
from vibeorder.bench.sheet import Sheet
from vibeorder.bench.trial_circles import CircleBalance
from vibeorder.bench.vectors import circular_difference_deg
from vibeorder.units import parse_mass

__all__ = ["balance_sheet", "circle_sheet", "residual_rows"]

Row = tuple[str, str]


def balance_sheet(
    result: Balance,
    unit: str,
    *,
    clamp_kg: float | None = None,
    warnings: Sequence[str] = (),
    extra: Sequence[Row] = (),
) -> Sheet:
    """Corrections in the user's mass unit; angles from the mark and from the trial weight."""
    one = parse_mass(f"1 {unit}").si
    said, numbers = [], []
    for p, (x, se, trial) in enumerate(
        zip(result.corrections, result.correction_ses, result.trials, strict=True), 1
    ):
        where = "" if len(result.corrections) == 1 else f" in plane {p}"
        angle = _angle(x)
        said.append(f"{abs(x) / one:.3g} {unit} at {angle:.0f} deg{where}")
        spread = math.degrees(min(se / abs(x), math.pi)) if x else 180.0
        numbers.append((f"correction{where}", f"{abs(x) / one:.3g} ± {se / one:.1g} {unit}"))
        numbers.append(
            (
                f"angle{where}",
                f"{angle:.0f} ± {max(1.0, spread):.0f} deg, {_from_trial(angle, _angle(trial))}",
            )
        )
        if clamp_kg is not None:
            numbers.append((f"clamp heads{where}", _clamps(x, clamp_kg)))
    before = math.sqrt(sum(abs(v) ** 2 for v in result.reference) / len(result.reference))
    numbers.append(("shake before, rms of pickups", f"{before:.3g}"))
    numbers.append(("shake to expect after", f"{result.expected_rms:.2g}, as well as these readings tell"))
    added = " and ".join(f"{abs(a) / one:.3g} {unit} at {_angle(a):.0f} deg" for a in result.additions)
    numbers.append(("or leave the last run's on, add", added))
    sentence = f"Take the trial weights off and put {' and '.join(said)}; then run again and see."
    return Sheet(sentence, (*numbers, *extra), (*warnings, *result.notes, _SAME_WAY))


def circle_sheet(
    result: CircleBalance,
    unit: str,
    *,
    clamp_kg: float | None = None,
    warnings: Sequence[str] = (),
    extra: Sequence[Row] = (),
) -> Sheet:
    """The same for amplitudes alone."""
    one = parse_mass(f"1 {unit}").si
    numbers = [
        ("correction", f"{result.correction / one:.3g} ± {result.correction_se / one:.1g} {unit}"),
        ("angle", f"{result.angle_deg:.0f} ± {max(1.0, result.angle_se_deg):.0f} deg"),
        ("what the trial weight alone shakes", f"{result.effect:.3g}"),
        (
            "circles miss each other by",
            f"{result.misfit:.2g} ({100 * result.misfit_share:.0f}% of the reference)",
        ),
    ]
    if clamp_kg is not None:
        x = cmath.rect(result.correction, math.radians(result.angle_deg))
        numbers.append(("clamp heads", _clamps(x, clamp_kg)))
    sentence = (
        f"Take the trial weight off and put {result.correction / one:.3g} {unit} at "
        f"{result.angle_deg:.0f} deg; then run again and see."
    )
    return Sheet(sentence, (*numbers, *extra), (*warnings, *result.notes, _SAME_WAY))


def residual_rows(residuals: Sequence[Residual], grade: float) -> tuple[Row, ...]:
    """What is left after the correction against the grade, one row per plane."""
    rows = []
    for p, r in enumerate(residuals, 1):
        where = "" if len(residuals) == 1 else f" in plane {p}"
        verdict = "within" if r.within else "over"
        rows.append(
            (
                f"left{where}",
                f"{r.unbalance_kg_m * 1e6:.0f} g mm, {verdict} G {grade:g} "
                f"({r.allowed_kg_m * 1e6:.0f} g mm); that is G {r.grade_mm_s:.1f}",
            )
        )
    return tuple(rows)


_SAME_WAY = "Weights and phases are counted in the same direction round the shaft, from the same mark."


def _angle(value: complex) -> float:
    return math.degrees(cmath.phase(value)) % 360.0


def _from_trial(angle: float, trial: float) -> str:
    off = circular_difference_deg(angle, trial)
    return f"{abs(off):.0f} deg {'past' if off >= 0 else 'before'} the trial's place"


def _clamps(correction: complex, clamp_kg: float) -> str:
    first, second, half = two_clamps(correction, clamp_kg)
    return f"at {first:.0f} and {second:.0f} deg, {2 * half:.0f} deg apart"
