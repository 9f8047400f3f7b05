"""Polar pictures: readings round the turn with the high spot marked, and vectors of parts and weights.

matplotlib is imported inside: it takes longer to load than the answer to compute. Figures are made without
pyplot, which keeps hidden global state.
"""

import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, cast

import numpy as np

from vibeorder.bench.harmonics import fitted_curve
from vibeorder.bench.readings import Readings, name_angle
from vibeorder.bench.runout import Runout
from vibeorder.errors import VibeorderError
from vibeorder.units import parse_length

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.projections.polar import PolarAxes

__all__ = ["runout_figure", "save_figure", "vectors_figure"]

INK, PAPER, FAINT = "#1f2a33", "#fbfaf6", "#c9c6bc"
_BLUE, _RED, _GREY = "#0072b2", "#d55e00", "#8a8f94"
_ARROWS = (
    ("o", "-", _BLUE), ("s", "--", _RED), ("D", "-.", INK),
    ("^", ":", "#009e73"), ("v", "-", "#8c6d00"), ("P", "--", _GREY),
)  # fmt: skip
"""Tip, dash and colour of each arrow. Colours: M. Okabe and K. Ito, "Color Universal Design", 2008."""

_RINGS = 4


def runout_figure(result: Runout, unit: str, readings: Readings | None = None) -> "Figure":
    """Readings (dots), fitted curve, the mean circle, and the high spot, blown up so that the runout shows.

    Radius is the reading above a base circle twice the total indicator reading below the lowest.
    """
    if not result.readings_m or result.fit is None:
        raise VibeorderError("the short form has no readings to draw; give all of them with --readings")
    figure, axes = _polar()
    one = parse_length(f"1 {unit}").si
    shown = np.asarray(result.readings_m) / one
    base = float(shown.min()) - 2.0 * max(result.tir_m / one, 1e-9)
    turn = np.linspace(0.0, 2.0 * math.pi, 361)
    middle = result.fit.coefficients[0] / one - base
    axes.plot(turn, np.full(turn.shape, middle), "--", color=_GREY, linewidth=1.0, label="runs true")
    axes.plot(turn, fitted_curve(result.fit, turn) / one - base, color=_BLUE, linewidth=2.0, label="fitted")
    axes.plot(np.radians(result.angles_deg), shown - base, "o", color=INK, markersize=5, label="read")
    if result.suspect is not None:
        at = math.radians(result.angles_deg[result.suspect])
        axes.plot([at], [shown[result.suspect] - base], "X", color=_RED, markersize=11, label="read again")
    high = math.radians(result.offset.angle_deg)
    top = float(fitted_curve(result.fit, np.array([high]))[0]) / one - base
    axes.plot([high, high], [0.0, top], "-", color=_RED, linewidth=1.5)
    axes.plot([high], [top], "s", color=_RED, markersize=8, label="high spot")
    spot = name_angle(result.offset.angle_deg, readings)
    axes.set_title(f"High spot at {spot}, {result.tir_m / one:.3g} {unit} total", weight="bold", color=INK)
    whole = 1.08 * float(max(shown.max() - base, top))
    axes.set_ylim(0.0, whole)  # whole markers at the rim
    apart = whole / _RINGS
    axes.set_rgrids([apart * k for k in range(1, _RINGS)], [""] * (_RINGS - 1))
    _name_angles(axes, readings)
    axes.set_xlabel(f"rings {apart:.2g} {unit} apart; the shape is drawn larger than life")
    axes.legend(loc="lower left", bbox_to_anchor=(-0.15, -0.12), fontsize=8, frameon=False)
    return figure


def vectors_figure(vectors: Mapping[str, complex], title: str, unit: str) -> "Figure":
    """Arrows from the center, one per name, lengths in `unit`; of two that coincide the one below is drawn wider."""
    figure, axes = _polar()
    longest = max((abs(v) for v in vectors.values()), default=1.0) or 1.0
    for k, (name, v) in enumerate(vectors.items()):
        tip, dash, color = _ARROWS[k % len(_ARROWS)]
        angle, below = math.atan2(v.imag, v.real), len(vectors) - k - 1
        label = f"{name}: {abs(v):.3g} {unit} at {math.degrees(angle) % 360:.0f} deg"
        axes.plot([angle, angle], [0.0, abs(v)], dash, color=color, linewidth=1.5 + below)
        axes.plot([angle], [abs(v)], tip, color=color, markersize=7.0 + 2.0 * below, clip_on=False)
        axes.plot([], [], dash, marker=tip, color=color, label=label)
    axes.set_ylim(0.0, 1.1 * longest)
    axes.set_title(f"{title}, {unit}" if unit else title, weight="bold", color=INK)
    axes.legend(loc="lower left", bbox_to_anchor=(-0.15, -0.15), fontsize=8, frameon=False)
    return figure


def save_figure(figure: "Figure", path: Path) -> None:
    """Write a picture; the suffix (.png, .svg, .pdf) decides the kind."""
    figure.savefig(path, dpi=120)


def _name_angles(axes: "PolarAxes", readings: Readings | None) -> None:
    """Round the picture the places as the user counts them."""
    if readings is not None and readings.counting == "clock":
        axes.set_thetagrids(range(0, 360, 30), [str(h or 12) for h in range(12)])
    if readings is not None and readings.counting == "bolts":
        step = 360.0 / readings.bolts
        axes.set_thetagrids(
            [k * step for k in range(readings.bolts)], [f"b{k + 1}" for k in range(readings.bolts)]
        )


def _polar() -> "tuple[Figure, PolarAxes]":
    from matplotlib.figure import Figure
    from matplotlib.projections.polar import PolarAxes

    figure = Figure(figsize=(6.0, 6.0), layout="constrained", facecolor=PAPER)
    axes = cast(PolarAxes, figure.add_subplot(projection="polar"))
    axes.set_facecolor(PAPER)
    axes.grid(color=FAINT, linewidth=0.8)
    axes.spines["polar"].set_color(_GREY)
    axes.set_theta_zero_location("N")
    axes.set_theta_direction(-1)
    return figure, axes
