"""The spectrum's panel of a diagnosis' figure: every name on a peak that is drawn, and nothing beyond the axes."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from vibeorder.diagnosis.result import Diagnosis, SpectrumView
from vibeorder.report.figure_style import (
    FAINT,
    INK,
    LABEL_WIDE,
    LOWEST_HZ,
    PAPER,
    haloed,
    shown,
    style_of,
    towards_middle,
)
from vibeorder.report.places import peak_of, place_hz, placed, ranges_of, sample_rate_hz
from vibeorder.report.wording import (
    EXPLAINED,
    SuspectGroup,
    groups_worth_showing,
    order_text,
    part_text,
    percent,
    suspect_name,
)
from vibeorder.units import show_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_spectrum"]

LABELLED = 3  # likely groups named in the spectrum
LABEL_STEP = 0.07  # a name's height as a share of the axis

MOVED, NEAR, NEXT = 1.05, 0.012, 1.09
"""Highest over lowest rate from which it moved; how near a peak is a line's own; how near it crowds another's name."""


def draw_spectrum(axes: "Axes", diagnosis: Diagnosis) -> None:
    """Draw the panel; the frequency axis must have its ends already, since nothing is drawn beyond them."""
    view = diagnosis.spectrum
    axes.set_yscale("log")
    unit = show_unit(view.unit)
    axes.set_ylabel(f"amplitude, {unit}", color=INK)
    axes.plot(view.frequency_hz, view.amplitude, color=INK, linewidth=0.9, label="spectrum", zorder=3)
    haloed(axes, view.frequency_hz, view.floor, "#7a5195", (0, (4, 1.5)), "noise floor")
    for where, one in placed(diagnosis):
        if shown(axes, where):
            axes.axvline(
                where, color=style_of(one.part)[1], linewidth=0.8, linestyle=":", alpha=0.55, zorder=1
            )
    likely = [known for group in _likely(diagnosis) if (known := _Named.of(group, diagnosis)) is not None]
    axes.set_ylim(*_span(view, len(likely), axes.get_xlim()[1]))
    for level, named in enumerate(likely):
        _mark_suspect(axes, named, level)
    _mark_other_lines(axes, diagnosis, likely)
    _amplitude_ticks(axes)
    axes.grid(axis="y", color=FAINT, linewidth=0.5)
    axes.legend(loc="lower left", fontsize=8, frameon=False, ncols=2, labelcolor=INK)


def _amplitude_ticks(axes: "Axes") -> None:
    """Plain numbers, and enough of them where the axis spans little more than a decade."""
    from matplotlib.ticker import LogLocator, NullFormatter

    low, high = axes.get_ylim()
    axes.yaxis.set_major_locator(LogLocator(subs=(1.0,) if high > 50.0 * low else (1.0, 2.0, 5.0)))
    axes.yaxis.set_major_formatter("{x:g}")
    axes.yaxis.set_minor_formatter(NullFormatter())


def _span(view: SpectrumView, labels: int, top_hz: float) -> tuple[float, float]:
    """Ends of the amplitude axis: what is drawn, and above it room for so many labels."""
    use = (view.frequency_hz >= LOWEST_HZ) & (view.frequency_hz <= top_hz)
    use &= np.isfinite(view.amplitude) & (view.amplitude > 0.0)
    if not use.any():
        return 1e-3, 1.0
    low = float(np.percentile(np.minimum(view.amplitude, view.floor)[use], 10.0))
    high = float(view.amplitude[use].max())
    low = max(low, high * 1e-5) * 0.5
    return low, low * float(max(high / low, 2.0) ** (1.0 / (0.88 - LABEL_STEP * labels)))


@dataclass(frozen=True, slots=True)
class _Named:
    """A likely group in the spectrum: its label, where its peak is drawn, and from where to where its rate moved.

    peak: (Hz, amplitude) of the highest point drawn where its rate was; None where it was not seen.
    """

    part: str
    label: str
    where_hz: float
    ends_hz: tuple[float, float]
    peak: tuple[float, float] | None

    @property
    def moved(self) -> bool:
        """Whether it passed over a range in this drive."""
        return self.ends_hz[1] > MOVED * self.ends_hz[0]

    @classmethod
    def of(cls, group: SuspectGroup, diagnosis: Diagnosis) -> "_Named | None":
        """None where its rate is not known."""
        first, rate_hz = group.members[0], sample_rate_hz(diagnosis)
        where = place_hz(first, rate_hz)
        if where is None:
            return None
        track = f"{part_text(first.part)} {order_text(first.order)}"
        ends = ranges_of(diagnosis.order_map, rate_hz).get(track, (where, where))
        seen = first.frequency_hz is not None
        peak = peak_of(diagnosis.spectrum, (1.0 - NEAR) * ends[0], (1.0 + NEAR) * ends[1]) if seen else None
        names = [suspect_name(one) for one in group.members]
        if len(names) > EXPLAINED + 1:
            names[EXPLAINED:] = [f"{len(names) - EXPLAINED} others"]
        return cls(
            first.part,
            f"{' or '.join(names)}: {percent(group.probability)}",
            where if peak is None else peak[0],
            ends,
            peak,
        )


def _likely(diagnosis: Diagnosis) -> list[SuspectGroup]:
    likely = [group for group in groups_worth_showing(diagnosis) if group.probability >= 0.05]
    return likely[:LABELLED]


def _mark_suspect(axes: "Axes", one: _Named, level: int) -> None:
    """A name above the peak, led down to it, and the range shaded that its rate passed; names step down."""
    if not shown(axes, one.where_hz):
        return
    marker, colour = style_of(one.part)
    bottom, top = axes.get_ylim()
    height = top * (bottom / top) ** (0.03 + LABEL_STEP * level)
    if one.moved:
        low, high = axes.get_xlim()
        axes.axvspan(
            max(one.ends_hz[0], low),
            min(one.ends_hz[1], high),
            color=colour,
            alpha=0.1,
            linewidth=0,
            zorder=0,
        )
    foot = bottom if one.peak is None else one.peak[1]
    axes.plot([one.where_hz] * 2, [foot, height], color=colour, linewidth=1.4, alpha=0.7, zorder=2)
    face = PAPER if one.peak is None else colour
    axes.plot(one.where_hz, height, marker, color=colour, markerfacecolor=face, markersize=8, zorder=5)
    moved = f", {one.ends_hz[0]:.0f} to {one.ends_hz[1]:.0f} Hz" if one.moved else ""
    name, _, share = one.label.rpartition(": ")
    _beside(axes, f"{name}{moved}: {share}", one.where_hz, height)


def _beside(axes: "Axes", text: str, where_hz: float, height: float) -> None:
    """Text to the right of a point, or to its left in the right half of the axis."""
    right = where_hz < _middle_hz(axes)
    axes.annotate(
        text, (where_hz, height), xytext=(8 if right else -8, 0), textcoords="offset points", va="center",
        ha="left" if right else "right", fontsize=9.5, fontweight="bold", color=INK,
        bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.0}, zorder=4,
    )  # fmt: skip


def _middle_hz(axes: "Axes") -> float:
    low, high = axes.get_xlim()
    return float(np.sqrt(max(low, LOWEST_HZ) * high))


def _mark_other_lines(axes: "Axes", diagnosis: Diagnosis, likely: Sequence[_Named]) -> None:
    """The strongest lines that are no likely suspect's, on the peaks that are drawn: named where they have a name.

    A line within the range that a likely suspect's rate passed is no line of its own.
    """
    bottom, top = axes.get_ylim()
    taken: list[tuple[float, float]] = []
    for line in sorted(diagnosis.lines, key=lambda one: -one.amplitude)[:8]:
        hz = line.frequency_hz
        peak = peak_of(diagnosis.spectrum, (1.0 - NEAR) * hz, (1.0 + NEAR) * hz)
        if peak is None or not shown(axes, peak[0]) or any(_beneath(one, hz) for one in likely):
            continue
        where, height = float(np.log(peak[0])), float(np.log(peak[1]))
        room = LABEL_STEP * np.log(top / bottom)
        if any(abs(where - w) < LABEL_WIDE and abs(height - h) < room for w, h in taken):
            continue
        taken.append((where, height))
        axes.annotate(
            line.name or "no part's rate", peak, xytext=(0, 7), textcoords="offset points",
            ha=towards_middle(axes, peak[0]), va="bottom", fontsize=8, color=INK, rotation=0,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6, "alpha": 0.85}, zorder=4,
        )  # fmt: skip


def _beneath(one: _Named, hz: float) -> bool:
    """Whether a line lies where a likely suspect's rate was, or so near its peak that the names would touch."""
    return one.ends_hz[0] / NEXT < hz < one.ends_hz[1] * NEXT or abs(np.log(hz / one.where_hz)) < np.log(NEXT)
