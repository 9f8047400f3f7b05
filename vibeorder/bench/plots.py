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

_BLUE, _RED, _GREY = "#1f5fa8", "#b8322a", "#777777"


def runout_figure(result: Runout, unit: str, readings: Readings | None = None) -> "Figure":
    """Readings (dots), fitted curve, the mean circle, and the high spot, blown up so that the runout shows.

    Radius is the reading above a base circle twice the total indicator reading below the lowest.
    """
    figure, axes = _polar()
    one = parse_length(f"1 {unit}").si
    if not result.readings_m or result.fit is None:
        raise VibeorderError("the short form has no readings to draw; give all of them with --readings")
    shown = np.asarray(result.readings_m) / one
    base = float(shown.min()) - 2.0 * max(result.tir_m / one, 1e-9)
    turn = np.linspace(0.0, 2.0 * math.pi, 361)
    axes.plot(turn, fitted_curve(result.fit, turn) / one - base, color=_BLUE, linewidth=1.5, label="fitted")
    axes.plot(turn, np.full(turn.shape, result.fit.coefficients[0] / one - base), color=_GREY, linewidth=0.8)
    axes.plot(np.radians(result.angles_deg), shown - base, "o", color="black", markersize=4, label="read")
    if result.suspect is not None:
        at = math.radians(result.angles_deg[result.suspect])
        axes.plot(
            [at], [shown[result.suspect] - base], "x", color=_RED, markersize=10, label="clean and read again"
        )
    high = math.radians(result.offset.angle_deg)
    top = float(fitted_curve(result.fit, np.array([high]))[0]) / one - base
    axes.annotate("", xy=(high, top), xytext=(high, 0.0), arrowprops={"arrowstyle": "->", "color": _RED})
    spot = name_angle(result.offset.angle_deg, readings)
    axes.set_title(f"high spot at {spot}, {result.tir_m / one:.3g} {unit} total")
    axes.set_ylim(0.0, 1.08 * float(max(shown.max() - base, top)))  # whole markers at the rim
    axes.set_yticklabels([])
    _name_angles(axes, readings)
    axes.legend(loc="lower left", bbox_to_anchor=(-0.15, -0.12), fontsize=8)
    return figure


def vectors_figure(vectors: Mapping[str, complex], title: str, unit: str) -> "Figure":
    """Arrows from the center, one per name, lengths in `unit`."""
    figure, axes = _polar()
    longest = max((abs(v) for v in vectors.values()), default=1.0) or 1.0
    colors = (_BLUE, _RED, "black", "#2d7d46", "#8a5a00", _GREY)
    for k, (name, v) in enumerate(vectors.items()):
        color, angle = colors[k % len(colors)], math.atan2(v.imag, v.real)
        axes.annotate(
            "", xy=(angle, abs(v)), xytext=(0.0, 0.0), arrowprops={"arrowstyle": "->", "color": color}
        )
        axes.plot(
            [], [], color=color, label=f"{name}: {abs(v):.3g} {unit} at {math.degrees(angle) % 360:.0f} deg"
        )
    axes.set_ylim(0.0, 1.1 * longest)
    axes.set_title(f"{title}, {unit}" if unit else title)
    axes.legend(loc="lower left", bbox_to_anchor=(-0.15, -0.15), fontsize=8)
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

    figure = Figure(figsize=(6.0, 6.0), layout="constrained")
    axes = cast(PolarAxes, figure.add_subplot(projection="polar"))
    axes.set_theta_zero_location("N")
    axes.set_theta_direction(-1)
    return figure, axes
