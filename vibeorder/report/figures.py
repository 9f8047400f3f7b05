"""The picture of a diagnosis: which rates the parts have, what the spectrum shows there, and how it moved.

Three panels share one frequency axis: a peg board with a row for each part and a peg for each of its orders,
the averaged spectrum over its noise floor, and the order map with time running down. A peg stands exactly
above its line, so no label has to be squeezed in beside a peak. Parts differ by marker and row, not by
colour alone.
"""

import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.result import Diagnosis, Suspect
from vibeorder.report.figure_spectrum import draw_spectrum
from vibeorder.report.figure_style import (
    FAINT,
    HATCH,
    INK,
    LOWEST_HZ,
    PAPER,
    STYLES,
    haloed,
    style_of,
    towards_middle,
)
from vibeorder.report.places import mirrored, placed, sample_rate_hz
from vibeorder.report.wording import order_text, part_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap
    from matplotlib.figure import Figure

__all__ = ["draw", "png_bytes", "save_figure"]

FloatArray = NDArray[np.float64]

TRACKS_SHOWN = 6
MARKER_HIGH = 0.02  # half a marker's height as a share of its axis
PEG_WIDE, LETTER_WIDE = 0.014, 0.0075  # of the axis: a peg and its gap, a letter of its order


def save_figure(diagnosis: Diagnosis, path: Path) -> None:
    """Write the figure to `path`, in the format that its ending names. Raises OSError."""
    draw(diagnosis).savefig(path, dpi=150)


def png_bytes(diagnosis: Diagnosis, dpi: float = 130.0) -> bytes:
    """The figure as a PNG in memory."""
    buffer = io.BytesIO()
    draw(diagnosis).savefig(buffer, format="png", dpi=dpi)
    return buffer.getvalue()


def draw(diagnosis: Diagnosis) -> "Figure":
    """The figure as a matplotlib object, without touching any global state of matplotlib."""
    from matplotlib.figure import Figure  # costs 0.3 s: only those who ask for a picture pay
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    parts = list(dict.fromkeys(one.part for one in diagnosis.suspects))
    spacing = ConstrainedLayoutEngine(hspace=0.015, h_pad=0.06, w_pad=0.08)
    peg_height = 0.45 + 0.27 * max(len(parts), 1)
    figure = Figure(figsize=(11.0, 7.6 + peg_height), facecolor=PAPER, layout=spacing)
    rows = figure.subplots(3, 1, sharex=True, gridspec_kw={"height_ratios": [peg_height, 3.6, 3.4]})
    pegs, spectrum, order_map = rows
    for axes in rows:
        _dress(axes)
    _title(figure, diagnosis)
    top_hz = _top_hz(diagnosis)
    _frequency_axis(order_map, top_hz)
    _pegs(pegs, diagnosis, parts, top_hz)
    draw_spectrum(spectrum, diagnosis)
    _order_map(order_map, diagnosis)
    return figure


def _dress(axes: "Axes") -> None:
    axes.set_facecolor(PAPER)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(HATCH)
    axes.tick_params(colors=INK, labelsize=9)
    axes.set_xscale("log")


def _title(figure: "Figure", diagnosis: Diagnosis) -> None:
    import textwrap

    source = str(diagnosis.recording.get("source", ""))
    small = "  ·  ".join(text for text in (diagnosis.vehicle_name, Path(source).name) if text)
    verdict = "\n".join(textwrap.wrap(diagnosis.verdict.replace("$", r"\$"), 96)[:3])
    figure.suptitle(verdict, x=0.012, ha="left", fontsize=13, fontweight="bold", color=INK)
    figure.supxlabel(small.replace("$", r"\$"), x=0.99, ha="right", fontsize=9, color=HATCH)


def _top_hz(diagnosis: Diagnosis) -> float:
    """The frequency up to which there is something to see: the highest peg or named line, and a margin."""
    seen = [where for where, _ in placed(diagnosis)]
    seen += [line.frequency_hz for line in diagnosis.lines]
    end = float(diagnosis.spectrum.frequency_hz[-1]) if diagnosis.spectrum.frequency_hz.size else 200.0
    return max(min(end, 1.3 * max(seen)) if seen else end, 2.0 * LOWEST_HZ)


def _pegs(axes: "Axes", diagnosis: Diagnosis, parts: Sequence[str], top_hz: float) -> None:
    """One row a part; filled pegs were seen in the recording, hollow ones are where the part would show."""
    axes.set_ylim(len(parts) - 0.4, -0.75)
    axes.set_yticks(range(len(parts)), [part_text(part) for part in parts])
    axes.tick_params(axis="x", which="both", bottom=False, labelbottom=False)
    axes.spines["bottom"].set_visible(False)
    for row in range(len(parts)):
        axes.axhline(row, color=FAINT, linewidth=0.8, zorder=1)
    seen = [(where, one) for where, one in placed(diagnosis) if LOWEST_HZ <= where <= top_hz]
    for row, part in enumerate(parts):
        _row(axes, sorted(((hz, one) for hz, one in seen if one.part == part), key=lambda pair: pair[0]), row)
    axes.annotate(
        "filled: seen in this recording;  hollow: where it would be", (1.0, 1.0), xycoords="axes fraction",
        ha="right", va="bottom", fontsize=8, color=HATCH,
    )  # fmt: skip


def _row(axes: "Axes", pegs: Sequence[tuple[float, Suspect]], row: int) -> None:
    """One part's pegs, each with its order beside it: on the right where there is room, else left, else above."""
    low, high = axes.get_xlim()
    across = float(np.log(high / low))
    for i, (where, one) in enumerate(pegs):
        text = order_text(one.order) + (" folded" if one.folded else "")
        need = across * (PEG_WIDE + LETTER_WIDE * len(text))
        after = pegs[i + 1][0] if i + 1 < len(pegs) else high
        before = pegs[i - 1][0] if i else low
        if np.log(after / where) >= need:
            side, at = "left", (7, 0)
        elif np.log(where / before) >= 2.0 * need:  # the one before may have its own on its right
            side, at = "right", (-7, 0)
        else:
            side, at = towards_middle(axes, where, 2.0 * need), (0, 6)
        _peg(axes, one, where, row)
        axes.annotate(
            text, (where, row), xytext=at, ha=side, va="bottom" if at[1] else "center",
            textcoords="offset points", fontsize=8.5, color=INK,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8}, zorder=2,
        )  # fmt: skip


def _peg(axes: "Axes", one: Suspect, where_hz: float, row: int) -> None:
    marker, colour = style_of(one.part)
    face = colour if one.frequency_hz is not None else PAPER
    axes.plot(where_hz, row, marker, markersize=8, color=colour, markerfacecolor=face, zorder=3)


def _order_map(axes: "Axes", diagnosis: Diagnosis) -> None:
    view = diagnosis.order_map
    axes.set_ylabel("time, s", color=INK)
    if not view.level_db.size:
        return
    finite = view.level_db[np.isfinite(view.level_db)]
    low, high = np.percentile(finite, [30.0, 99.8]) if finite.size else (0.0, 1.0)
    use = view.frequency_hz > 0.0
    axes.pcolormesh(
        view.frequency_hz[use], view.times_s, view.level_db[:, use], cmap=_paper_to_ink(), vmin=low,
        vmax=max(high, low + 1.0), shading="nearest", rasterized=True,
    )  # fmt: skip
    axes.set_ylim(float(view.times_s[-1]), float(view.times_s[0]))
    taken: list[tuple[float, int]] = []
    drawn = [(name, _inside(axes, path, diagnosis)) for name, path in view.tracks[:TRACKS_SHOWN]]
    drawn = [(name, path) for name, path in drawn if np.isfinite(path).any()]
    for name, path in sorted(drawn, key=lambda track: float(np.nanmedian(track[1]))):
        _track(axes, name, view.times_s, path, taken)


def _inside(axes: "Axes", path_hz: FloatArray, diagnosis: Diagnosis) -> FloatArray:
    """A track as the samples show it (folded at half their rate), nan where it is beyond the axis."""
    low, high = axes.get_xlim()
    shown = mirrored(path_hz, sample_rate_hz(diagnosis))
    return np.where((shown >= low) & (shown <= high), shown, np.nan)


def _track(
    axes: "Axes", name: str, times_s: FloatArray, path_hz: FloatArray, taken: list[tuple[float, int]]
) -> None:
    """One order's rate against time, dashed, named at its foot."""
    marker, colour = style_of(_part_of(name))
    haloed(axes, path_hz, times_s, colour, (0, (3, 7)))
    # the foot's marker stands whole above the axis
    end, begin = axes.get_ylim()
    inside = np.isfinite(path_hz) & (times_s <= end - MARKER_HIGH * (end - begin))
    last = np.flatnonzero(inside if inside.any() else np.isfinite(path_hz))[-1]
    where = float(path_hz[last])
    depth = 0
    while any(row == depth and abs(np.log(where / other)) < 0.33 for other, row in taken):
        depth += 1
    taken.append((where, depth))
    axes.plot(where, times_s[last], marker, color=colour, markersize=7, zorder=5)
    axes.annotate(
        name, (where, times_s[last]), xytext=(0, 8 + 15 * depth), textcoords="offset points",
        ha=towards_middle(axes, where), va="bottom", fontsize=8.5, color=INK, zorder=6,
        bbox={"facecolor": PAPER, "edgecolor": colour, "linewidth": 0.8, "boxstyle": "round,pad=0.2"},
    )  # fmt: skip


def _part_of(name: str) -> str:
    named = {part_text(part): part for part in STYLES}
    best = max((text for text in named if name.startswith(text)), key=len, default="")
    return named.get(best, "accessory")


def _paper_to_ink() -> "Colormap":
    from matplotlib.colors import LinearSegmentedColormap

    stops = [PAPER, "#d9dde0", "#8fa1ae", "#41596b", "#0f1c26"]
    return LinearSegmentedColormap.from_list("paper to ink", stops)


def _frequency_axis(axes: "Axes", top_hz: float) -> None:
    from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator

    marks = [v for v in (3, 5, 7, 10, 15, 20, 30, 40, 50, 70, 100, 150, 200, 300, 500, 1000) if v <= top_hz]
    axes.set_xlim(LOWEST_HZ, top_hz)
    axes.xaxis.set_major_locator(FixedLocator(marks))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter("{x:g}")
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_xlabel("frequency, Hz", color=INK)
