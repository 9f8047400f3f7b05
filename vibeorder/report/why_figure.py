"""The picture of why: for each suspect where its line should run and ran, its strength by speed, its orders.

A strip for each suspect with three panels, and below them one scale of strength on which all suspects stand
against what healthy vehicles have and where complaints begin. Nothing is computed here.
"""

import io
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from vibeorder.diagnosis.explanation import Explanation, Finding, SpeedCurve, TrackSeen
from vibeorder.diagnosis.result import Diagnosis
from vibeorder.report.figure_style import FAINT, HATCH, INK, PAPER, style_of
from vibeorder.report.wording import order_text, percent, place_in_table
from vibeorder.units import speed_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_why", "save_why", "why_png_bytes"]

STRIP_IN, SCALE_IN, ROW_IN = 2.75, 0.95, 0.3
PULLING, COASTING = "#8c6d00", "#56b4e9"


def save_why(diagnosis: Diagnosis, path: Path) -> None:
    """Write the figure to `path`, in the format that its ending names. Raises OSError."""
    draw_why(diagnosis).savefig(path, dpi=150)


def why_png_bytes(diagnosis: Diagnosis, dpi: float = 130.0) -> bytes:
    """The figure as a PNG in memory."""
    buffer = io.BytesIO()
    draw_why(diagnosis).savefig(buffer, format="png", dpi=dpi)
    return buffer.getvalue()


def draw_why(diagnosis: Diagnosis) -> "Figure":
    """The figure as a matplotlib object; a diagnosis without explanations gives a page that says so."""
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    suspects = [one for one in diagnosis.explanations if one.part]
    scaled = [one for one in suspects if _strength(one) is not None]
    below = SCALE_IN + ROW_IN * len(scaled) if scaled else 0.0
    height = 0.8 + STRIP_IN * max(len(suspects), 1) + below
    figure = Figure(
        figsize=(11.0, height), facecolor=PAPER, layout=ConstrainedLayoutEngine(h_pad=0.08, w_pad=0.09)
    )
    verdict = "\n".join(textwrap.wrap(diagnosis.verdict.replace("$", r"\$"), 96)[:2])
    figure.suptitle(verdict, x=0.012, ha="left", fontsize=13, fontweight="bold", color=INK)
    if not suspects:
        figure.text(0.012, 0.5, "No explanation was asked for.", color=INK)
        return figure
    heights = [STRIP_IN] * len(suspects) + ([below] if scaled else [])
    strips = figure.subfigures(len(heights), 1, height_ratios=heights, squeeze=False)[:, 0]
    for number, one in enumerate(suspects):
        strips[number].set_facecolor(PAPER)
        _strip(strips[number], one, place_in_table(one, diagnosis), diagnosis.speed.unit)
    if scaled:
        strips[-1].set_facecolor(PAPER)
        _scale(strips[-1].subplots(), scaled)
    return figure


def _strip(strip: object, one: Explanation, place: str, unit: str) -> None:
    """Three panels of one suspect: its course, its strength by speed, its orders."""
    panels = strip.subplots(1, 3, gridspec_kw={"width_ratios": [1.25, 1.25, 1.0]})  # type: ignore[attr-defined]
    _, colour = style_of(one.part)
    title = f"{place}{one.name}: {percent(one.probability)}"
    strip.suptitle(title, x=0.012, ha="left", fontsize=11, fontweight="bold", color=INK)  # type: ignore[attr-defined]
    for axes in panels:
        _dress(axes)
    if one.track is None:
        _empty(panels[0], "no rate known")
    else:
        _course(panels[0], one.track, colour)
    if one.curve is None:
        reason = next((f.sentence for f in one.findings if f.kind == "speed"), "no strength by speed")
        _empty(panels[1], reason)
    else:
        _by_speed(panels[1], one.curve, colour, unit, one.unit)
    _orders(panels[2], one, colour)


def _dress(axes: "Axes") -> None:
    axes.set_facecolor(PAPER)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(HATCH)
    axes.tick_params(colors=INK, labelsize=8.5)


def _empty(axes: "Axes", why: str) -> None:
    axes.set_xticks([])
    axes.set_yticks([])
    text = "\n".join(textwrap.wrap(why, 38))
    axes.text(0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center", fontsize=9, color=INK)


def _course(axes: "Axes", track: TrackSeen, colour: str) -> None:
    """Expected and fitted frequency against time, and the peaks of a plain spectrogram."""
    axes.plot(track.times_s, track.expected_hz, color=HATCH, linewidth=1.6, linestyle=(0, (4, 2)),
              label="expected")  # fmt: skip
    axes.plot(track.times_s, track.fitted_hz, color=colour, linewidth=1.4, label="fitted", zorder=5)
    axes.plot(track.seen_s, track.seen_hz, "o", markersize=5.0, markerfacecolor="none",
              markeredgecolor=INK, markeredgewidth=0.8, label="measured", zorder=4)  # fmt: skip
    every = np.concatenate([track.expected_hz, track.fitted_hz, track.seen_hz])
    every = every[np.isfinite(every)]
    if every.size:
        middle, half = 0.5 * (every.min() + every.max()), 0.5 * float(np.ptp(every))
        half = max(half, 0.03 * middle)
        axes.set_ylim(middle - 1.15 * half, middle + 1.6 * half)
    axes.set_xlabel("time, s", fontsize=9, color=INK)
    axes.set_ylabel("frequency, Hz", fontsize=9, color=INK)
    _legend(axes, 3)


def _by_speed(axes: "Axes", curve: SpeedCurve, colour: str, unit: str, amplitude_unit: str) -> None:
    """Strength in bins of road speed over the growth expected, the resonance shaded, throttle apart."""
    across, per = speed_axis(unit)
    x = curve.speed_mps / per
    found = curve.resonance
    if found is not None:
        whose = "body resonance" if found.of_the_body else "resonance"
        axes.axvspan(found.low_mps / per, found.high_mps / per, color=FAINT, alpha=0.6, linewidth=0, zorder=0,
                     label=f"{whose}, {found.frequency_hz:.0f} Hz")  # fmt: skip
    axes.plot(x, curve.expected, color=HATCH, linewidth=1.6, linestyle=(0, (4, 2)),
              label=f"speed to the power {curve.expected_growth:g}")  # fmt: skip
    axes.errorbar(x, curve.amplitude, yerr=curve.standard_error, color=colour, marker="o", markersize=4.5,
                  linewidth=1.4, capsize=2, label="measured", zorder=3)  # fmt: skip
    if curve.load is not None:
        axes.plot(curve.load.speed_mps / per, curve.load.pulling, "^", color=PULLING, markersize=5,
                  label="pulling", zorder=4)  # fmt: skip
        axes.plot(curve.load.speed_mps / per, curve.load.coasting, "v", color=COASTING, markersize=5,
                  label="coasting", zorder=4)  # fmt: skip
    top = float(max((curve.amplitude + curve.standard_error).max(), curve.expected.max()))
    axes.set_ylim(0.0, (1.5 if curve.load is None else 1.75) * top)
    axes.set_xlabel(across, fontsize=9, color=INK)
    axes.set_ylabel(_strength_label(amplitude_unit), fontsize=9, color=INK)
    _legend(axes, 2)


def _orders(axes: "Axes", one: Explanation, colour: str) -> None:
    """A bar for each order of the part; hollow where it does not stand out, a tick where noise alone would reach."""
    orders = one.orders
    if not orders:
        _empty(axes, "no orders could be read")
        return
    places = range(len(orders))
    for place, order in zip(places, orders, strict=True):
        if not order.readable:
            axes.text(place, 0.0, "not\nreadable", ha="center", va="bottom", fontsize=7.5, color=HATCH)
            continue
        axes.bar(place, order.amplitude, width=0.62, color=colour if order.seen else PAPER, edgecolor=colour,
                 linewidth=1.2, zorder=2)  # fmt: skip
        axes.errorbar(place, order.amplitude, yerr=order.standard_error, color=INK, capsize=2, linewidth=1.0)
        axes.plot(
            [place - 0.4, place + 0.4], [order.noise, order.noise], color=HATCH, linewidth=2.0, zorder=3
        )
    top = max(max(order.amplitude + order.standard_error, order.noise) for order in orders)
    for place, order in zip(places, orders, strict=True):
        if order.seen:
            height = max(order.amplitude + order.standard_error, order.noise) + 0.02 * top
            axes.text(
                place, height, f"{order.snr_db:.0f} dB", ha="center", va="bottom", fontsize=8, color=INK
            )
    axes.set_ylim(0.0, 1.45 * top if top > 0 else 1.0)
    labels = [f"{order_text(o.order)}{'*' if o.folded else ''}\n{o.frequency_hz:.0f} Hz" for o in orders]
    axes.set_xticks(places, labels, fontsize=7.5)
    axes.set_ylabel(_strength_label(one.unit), fontsize=9, color=INK)
    said = "filled: stands clear   grey: noise there"
    said += "\n* folded" if any(order.folded for order in orders) else ""
    axes.text(1.0, 1.0, said, transform=axes.transAxes, ha="right", va="top", fontsize=7.5, color=INK)


def _scale(axes: "Axes", suspects: Sequence[Explanation]) -> None:
    """Every suspect's strength on one logarithmic scale, over the healthy range and the complaint's edge."""
    _dress(axes)
    axes.set_xscale("log")
    complaint = 0.0
    strongest = max(said.value("amplitude") for one in suspects if (said := _strength(one)) is not None)
    low_end, high_end = 1e-3, max(3.0, strongest)
    for row, one in enumerate(suspects):
        said = _strength(one)
        if said is None:
            continue
        marker, colour = style_of(one.part)
        low, high = said.value("healthy_low"), said.value("healthy_high")
        complaint = said.value("complaint_from")
        axes.plot([low, high], [row, row], color=FAINT, linewidth=9, solid_capstyle="butt", zorder=1,
                  label="healthy, 19 in 20" if row == 0 else None)  # fmt: skip
        amplitude = max(said.value("amplitude"), low_end)
        face = colour if any(f.kind == "line" for f in one.speaks_for) else PAPER
        axes.plot(amplitude, row, marker, color=colour, markerfacecolor=face, markersize=8, zorder=3)
    axes.axvline(complaint, color=INK, linewidth=1.2, linestyle=(0, (4, 2)), label="complaints begin")
    axes.set_yticks(range(len(suspects)), [one.name for one in suspects], fontsize=8.5)
    axes.set_ylim(len(suspects) - 0.4, -0.6)
    axes.set_xlim(low_end / 1.1, 1.1 * high_end)
    axes.xaxis.set_major_formatter("{x:g}")
    axes.set_xlabel("strength, peak m/s²", fontsize=9, color=INK)
    axes.annotate("hollow: no line of its own stands", (1.0, 1.03), xycoords="axes fraction", ha="right",
                  va="bottom", fontsize=8, color=INK)  # fmt: skip
    axes.legend(
        loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, fontsize=8, frameon=False, labelcolor=INK
    )


def _strength(one: Explanation) -> Finding | None:
    """The finding about strength where it has numbers."""
    return next((f for f in one.findings if f.kind == "strength" and f.values), None)


def _strength_label(unit: str) -> str:
    return "peak, m/s²" if unit == "m/s^2" else "peak, relative"


def _legend(axes: "Axes", columns: int) -> None:
    axes.legend(loc="upper left", ncols=columns, fontsize=7.5, frameon=False, labelcolor=INK, borderaxespad=0.1,
                columnspacing=1.2, handlelength=1.8)  # fmt: skip
