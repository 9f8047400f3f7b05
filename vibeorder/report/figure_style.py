"""What all panels of the figures share: ink, the parts' markers and colours, lines and names that stay readable."""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "FAINT",
    "HATCH",
    "INK",
    "LABEL_WIDE",
    "LOWEST_HZ",
    "PAPER",
    "STYLES",
    "haloed",
    "shown",
    "style_of",
    "towards_middle",
]

FloatArray = NDArray[np.float64]

INK, PAPER, FAINT, HATCH = "#1f2a33", "#fbfaf6", "#c9c6bc", "#8a8f94"

STYLES: dict[str, tuple[str, str]] = {
    "tire_wheel": ("o", "#0072b2"),
    "half_shaft": ("D", "#56b4e9"),
    "driveshaft": ("s", "#d55e00"),
    "front_driveshaft": ("P", "#cc79a7"),
    "engine": ("^", "#009e73"),
    "motor": ("v", "#009e73"),
    "accessory": ("X", "#8c6d00"),
}
"""Marker and colour of each part. Colours: M. Okabe and K. Ito, "Color Universal Design", 2008, told apart
with every common colour blindness; the last darkened for contrast on paper."""

LABEL_WIDE = 0.3  # a name's width in log frequency

LOWEST_HZ = 3.0
"""Below this no part of a moving vehicle turns fast enough to be felt as a vibration."""


def style_of(part: str) -> tuple[str, str]:
    """Marker and colour of a part."""
    return STYLES.get(part.split(":")[0], ("o", INK))


def shown(axes: "Axes", where_hz: float) -> bool:
    """Whether a frequency is on the axis."""
    low, high = axes.get_xlim()
    return low <= where_hz <= high


def towards_middle(axes: "Axes", where_hz: float, wide: float = LABEL_WIDE) -> str:
    """How to align a name centred on a point so that it stays inside the axis."""
    low, high = axes.get_xlim()
    if np.log(high / where_hz) < 0.5 * wide:
        return "right"
    return "left" if np.log(where_hz / low) < 0.5 * wide else "center"


def haloed(
    axes: "Axes", x: FloatArray, y: FloatArray, colour: str, dashes: tuple[float, tuple[float, float]],
    label: str | None = None,
) -> None:  # fmt: skip
    """A dashed line, readable on light and on dark by its rim, with gaps that let the data show through."""
    from matplotlib.patheffects import withStroke

    rim = [withStroke(linewidth=3.2, foreground=PAPER)]
    axes.plot(x, y, color=colour, linewidth=1.7, linestyle=dashes, zorder=3.4, label=label, path_effects=rim)
