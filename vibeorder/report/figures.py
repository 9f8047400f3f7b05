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
from vibeorder.report.wording import groups_worth_showing, order_text, part_text, percent, suspect_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap
    from matplotlib.figure import Figure

__all__ = ["draw", "png_bytes", "save_figure"]

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

TRACKS_SHOWN = 6
CROWDED = 0.035  # of the axis: nearer pegs of one row would write over each other
LOWEST_HZ = 3.0
"""Below this no part of a moving vehicle turns fast enough to be felt as a vibration."""


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
    _pegs(pegs, diagnosis, parts, top_hz)
    _spectrum(spectrum, diagnosis)
    _order_map(order_map, diagnosis)
    _frequency_axis(order_map, top_hz)
    return figure


def style_of(part: str) -> tuple[str, str]:
    """Marker and colour of a part."""
    return STYLES.get(part.split(":")[0], ("o", INK))


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
    seen = [where for where, _ in _placed(diagnosis)]
    seen += [line.frequency_hz for line in diagnosis.lines]
    end = float(diagnosis.spectrum.frequency_hz[-1]) if diagnosis.spectrum.frequency_hz.size else 200.0
    return min(end, 1.3 * max(seen)) if seen else end


def _peg_hz(one: Suspect) -> float | None:
    where = one.frequency_hz if one.frequency_hz is not None else one.expected_hz
    return where if where is not None and np.isfinite(where) and where > 0.0 else None


def _pegs(axes: "Axes", diagnosis: Diagnosis, parts: Sequence[str], top_hz: float) -> None:
    """One row a part; filled pegs were seen in the recording, hollow ones are where the part would show."""
    axes.set_ylim(len(parts) - 0.4, -0.75)
    axes.set_yticks(range(len(parts)), [part_text(part) for part in parts])
    axes.tick_params(axis="x", which="both", bottom=False, labelbottom=False)
    axes.spines["bottom"].set_visible(False)
    for row in range(len(parts)):
        axes.axhline(row, color=FAINT, linewidth=0.8, zorder=1)
    room = np.log(top_hz / LOWEST_HZ) * CROWDED
    last: dict[str, float] = {}
    for where, one in sorted(_placed(diagnosis), key=lambda pair: pair[0]):
        if LOWEST_HZ <= where <= top_hz:
            crowded = one.part in last and np.log(where / last[one.part]) < room
            last[one.part] = where
            _peg(axes, one, where, parts.index(one.part), crowded)
    axes.annotate(
        "filled: seen in this recording;  hollow: where it would be", (1.0, 1.0), xycoords="axes fraction",
        ha="right", va="bottom", fontsize=8, color=HATCH,
    )  # fmt: skip


def _peg(axes: "Axes", one: Suspect, where_hz: float, row: int, crowded: bool) -> None:
    """One peg and its order, written beside it, or above it where the peg before stands too near."""
    marker, colour = style_of(one.part)
    face = colour if one.frequency_hz is not None else PAPER
    axes.plot(where_hz, row, marker, markersize=8, color=colour, markerfacecolor=face, zorder=3)
    axes.annotate(
        order_text(one.order) + (" folded" if one.folded else ""), (where_hz, row),
        xytext=(0, 6) if crowded else (7, 0), ha="center" if crowded else "left",
        va="bottom" if crowded else "center", textcoords="offset points", fontsize=8.5, color=INK,
        bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8}, zorder=2,
    )  # fmt: skip


def _placed(diagnosis: Diagnosis) -> list[tuple[float, Suspect]]:
    return [(where, one) for one in diagnosis.suspects if (where := _peg_hz(one)) is not None]


def _spectrum(axes: "Axes", diagnosis: Diagnosis) -> None:
    view = diagnosis.spectrum
    axes.set_yscale("log")
    unit = "m/s²" if view.unit == "m/s^2" else view.unit
    axes.set_ylabel(f"amplitude, {unit}", color=INK)
    axes.plot(view.frequency_hz, view.amplitude, color=INK, linewidth=0.9, label="spectrum", zorder=3)
    _haloed(axes, view.frequency_hz, view.floor, "#7a5195", (0, (4, 1.5)), "noise floor")
    for where, one in _placed(diagnosis):
        axes.axvline(where, color=style_of(one.part)[1], linewidth=0.8, linestyle=":", alpha=0.55, zorder=1)
    low, high = _span(view.frequency_hz, view.amplitude, view.floor)
    axes.set_ylim(low, high)
    _mark_suspects(axes, diagnosis)
    _mark_other_lines(axes, diagnosis)
    axes.yaxis.set_major_formatter("{x:g}")
    axes.grid(axis="y", color=FAINT, linewidth=0.5)
    axes.legend(loc="lower left", fontsize=8, frameon=False, ncols=2, labelcolor=INK)


def _span(frequency_hz: FloatArray, amplitude: FloatArray, floor: FloatArray) -> tuple[float, float]:
    use = (frequency_hz >= LOWEST_HZ) & np.isfinite(amplitude) & (amplitude > 0.0)
    if not use.any():
        return 1e-3, 1.0
    low = float(np.percentile(np.minimum(amplitude, floor)[use], 10.0))
    high = float(amplitude[use].max())
    return max(low, high * 1e-5) * 0.5, high * 6.0


def _mark_suspects(axes: "Axes", diagnosis: Diagnosis) -> None:
    """A drop line and a label at each likely suspect's line; labels step down so that none overlap."""
    likely = [group for group in groups_worth_showing(diagnosis) if group.probability >= 0.05]
    bottom, top = axes.get_ylim()
    for level, group in enumerate(likely[:3]):
        first = group.members[0]
        where = _peg_hz(first)
        if where is None:
            continue
        marker, colour = style_of(first.part)
        height = top * (bottom / top) ** (0.03 + 0.07 * level)
        axes.axvline(where, color=colour, linewidth=1.4, alpha=0.55, zorder=2)
        names = " or ".join(suspect_name(one) for one in group.members)
        axes.plot(where, height, marker, color=colour, markersize=8, zorder=5, clip_on=False)
        _beside(axes, f"{names}: {percent(group.probability)}", where, height)


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


def _mark_other_lines(axes: "Axes", diagnosis: Diagnosis) -> None:
    """The strongest lines that are no likely suspect's: named where they have a name, else "no part"."""
    top = [group.members[0] for group in groups_worth_showing(diagnosis) if group.probability >= 0.05]
    taken = [where for one in top if (where := _peg_hz(one)) is not None]
    for line in sorted(diagnosis.lines, key=lambda one: -one.amplitude)[:8]:
        near = any(abs(np.log(line.frequency_hz / where)) < 0.09 for where in taken)
        if near or line.frequency_hz < LOWEST_HZ:
            continue
        taken.append(line.frequency_hz)
        axes.annotate(
            line.name or "no part's rate", (line.frequency_hz, line.amplitude), xytext=(0, 7),
            textcoords="offset points", ha="center", va="bottom", fontsize=8, color=INK, rotation=0,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6, "alpha": 0.85}, zorder=4,
        )  # fmt: skip


def _order_map(axes: "Axes", diagnosis: Diagnosis) -> None:
    view = diagnosis.order_map
    axes.set_ylabel("time, s", color=INK)
    if view.level_db.size:
        finite = view.level_db[np.isfinite(view.level_db)]
        low, high = np.percentile(finite, [30.0, 99.8]) if finite.size else (0.0, 1.0)
        use = view.frequency_hz > 0.0
        axes.pcolormesh(
            view.frequency_hz[use], view.times_s, view.level_db[:, use], cmap=_paper_to_ink(), vmin=low,
            vmax=max(high, low + 1.0), shading="nearest", rasterized=True,
        )  # fmt: skip
        axes.set_ylim(float(view.times_s[-1]), float(view.times_s[0]))
    tracks = view.tracks[:TRACKS_SHOWN]
    placed: list[tuple[float, int]] = []
    for name, path in sorted(tracks, key=lambda track: float(np.nanmedian(track[1]))):
        _track(axes, name, view.times_s, path, placed)


def _track(
    axes: "Axes", name: str, times_s: FloatArray, path_hz: FloatArray, placed: list[tuple[float, int]]
) -> None:
    """One order's rate against time, dashed, named at its foot."""
    marker, colour = style_of(_part_of(name))
    _haloed(axes, path_hz, times_s, colour, (0, (3, 7)))
    ends = np.flatnonzero(np.isfinite(path_hz))
    if not ends.size:
        return
    last = ends[-1]
    where = float(path_hz[last])
    depth = 0
    while any(row == depth and abs(np.log(where / other)) < 0.33 for other, row in placed):
        depth += 1
    placed.append((where, depth))
    axes.plot(where, times_s[last], marker, color=colour, markersize=7, zorder=5, clip_on=False)
    axes.annotate(
        name, (where, times_s[last]), xytext=(0, 10 + 15 * depth), textcoords="offset points", ha="center",
        va="bottom", fontsize=8.5, color=INK, zorder=6,
        bbox={"facecolor": PAPER, "edgecolor": colour, "linewidth": 0.8, "boxstyle": "round,pad=0.2"},
    )  # fmt: skip


def _haloed(
    axes: "Axes", x: FloatArray, y: FloatArray, colour: str, dashes: tuple[float, tuple[float, float]],
    label: str | None = None,
) -> None:  # fmt: skip
    """A dashed line, readable on light and on dark by its rim, with gaps that let the data show through."""
    from matplotlib.patheffects import withStroke

    rim = [withStroke(linewidth=3.2, foreground=PAPER)]
    axes.plot(x, y, color=colour, linewidth=1.7, linestyle=dashes, zorder=3.4, label=label, path_effects=rim)


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
    axes.set_xlim(LOWEST_HZ, max(top_hz, 2.0 * LOWEST_HZ))
    axes.xaxis.set_major_locator(FixedLocator(marks))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter("{x:g}")
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_xlabel("frequency, Hz", color=INK)
