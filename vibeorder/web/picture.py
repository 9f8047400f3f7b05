"""A diagnosis' spectrum, order map and rates, reduced to what a screen can show; plain numbers, ready for JSON."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.result import Diagnosis, LineSeen, OrderMap, SpectrumView, Suspect
from vibeorder.report.places import mirrored, own_hz, peak_of, place_hz, ranges_of, sample_rate_hz
from vibeorder.report.wording import (
    frequency_text,
    groups_worth_showing,
    order_text,
    part_text,
    percent,
    suspect_name,
    two_digits,
)
from vibeorder.units import show_unit
from vibeorder.web.draw.frequency import LOWEST_HZ

__all__ = ["map_pixels", "picture_of"]

FloatArray = NDArray[np.float64]

COLUMNS = 640
"""Points across a picture: about one a pixel on a phone, two on a projector; more are not seen."""

ROWS = 220
TRACK_POINTS = 120
LETTERED = 10
"""Lines with a letter; the pegs show all others."""

TRACKS = 8
OTHERS = 5
"""Strong lines of no lettered part that get a number."""

LIKELY = 0.05
"""Probability from which a suspect's rate is drawn strongly."""

NEAR = 0.012
"""Relative distance within which a strong line is the lettered part's own."""

PALE, FULL = 60.0, 99.7
"""Percentiles of the level above the noise floor that are bare paper and full ink: road noise stays pale."""

MOVED = 1.02
"""Highest over lowest rate from which a part's rate is shown as a band, not as a line."""


def picture_of(diagnosis: Diagnosis) -> dict[str, Any]:
    """What `vibeorder.web.draw` draws: axis, rows of parts, pegs, lettered marks, curves, tracks.

    Every frequency in Hz, amplitudes in the diagnosis' unit, times in s; texts are whole sentences.
    """
    top_hz, rate_hz = _top_hz(diagnosis), sample_rate_hz(diagnosis)
    ranges = ranges_of(diagnosis.order_map, rate_hz)
    marks = _marks(diagnosis, ranges)
    letters = {(one["part"], one["order"]): one["letter"] for one in marks}
    tracks = _tracks(diagnosis, letters)
    placed = [(hz, one) for one in diagnosis.suspects if (hz := place_hz(one, rate_hz)) is not None]
    return {
        "low_hz": LOWEST_HZ,
        "top_hz": top_hz,
        "unit": diagnosis.spectrum.unit,
        "parts": list(dict.fromkeys(one.part for _, one in _by_rate(placed))),
        "pegs": [_peg(hz, one, letters) for hz, one in placed],
        "marks": marks,
        "others": _others(diagnosis, [one["hz"] for one in marks], ranges),
        "spectrum": _curves(diagnosis.spectrum, top_hz),
        "map": {"times_s": _time_ends(diagnosis.order_map), "tracks": tracks},
    }


def map_pixels(diagnosis: Diagnosis) -> FloatArray:
    """The order map on the picture's own axis: 0 bare paper to 1 full ink [shape (rows, columns)].

    Ink is level over the spectrum's noise floor: else the road's low rumble would blacken half the map.
    Columns follow the logarithm of frequency as in the drawing; each takes the strongest level that falls
    into it, or interpolates where bins are wider than a column. Rows are times, the first on top.
    """
    view = diagnosis.order_map
    use = view.frequency_hz >= 0.8 * LOWEST_HZ
    if not view.level_db.size or not use.any():
        return np.zeros((1, 1))
    hz = view.frequency_hz[use]
    level = view.level_db[:, use] - _floor_db(diagnosis.spectrum, hz)
    finite = level[np.isfinite(level)]
    low, high = np.percentile(finite, [PALE, FULL]) if finite.size else (0.0, 1.0)
    share = np.clip((np.nan_to_num(level, nan=low) - low) / max(float(high - low), 1.0), 0.0, 1.0)
    edges = np.geomspace(LOWEST_HZ, _top_hz(diagnosis), COLUMNS + 1)
    centres = np.sqrt(edges[:-1] * edges[1:])
    drawn = np.stack([np.interp(centres, hz, row) for row in _fewer_rows(share)])
    first = np.searchsorted(hz, edges)
    for column in np.flatnonzero(np.diff(first) > 1):
        drawn[:, column] = _fewer_rows(
            share[:, first[column] : first[column + 1]].max(axis=1, keepdims=True)
        )[:, 0]
    return drawn


def _floor_db(view: SpectrumView, hz: FloatArray) -> FloatArray:
    """The noise floor in dB at these frequencies; 0 where it is not known."""
    known = np.isfinite(view.floor) & (view.floor > 0.0)
    if not known.any():
        return np.zeros(hz.size)
    return np.interp(hz, view.frequency_hz[known], 20.0 * np.log10(view.floor[known]))


def _fewer_rows(share: FloatArray) -> FloatArray:
    """At most ROWS rows, each the strongest of those it stands for."""
    if share.shape[0] <= ROWS:
        return share
    starts = np.linspace(0, share.shape[0], ROWS, endpoint=False).astype(np.intp)
    return np.asarray(np.maximum.reduceat(share, starts, axis=0))


def _top_hz(diagnosis: Diagnosis) -> float:
    """Up to where there is something to see: the highest rate or line, and a margin."""
    rate_hz = sample_rate_hz(diagnosis)
    seen = [hz for one in diagnosis.suspects if (hz := place_hz(one, rate_hz)) is not None]
    seen += [line.frequency_hz for line in diagnosis.lines]
    end = float(diagnosis.spectrum.frequency_hz[-1]) if diagnosis.spectrum.frequency_hz.size else 200.0
    return max(4.0 * LOWEST_HZ, min(end, 1.25 * max(seen)) if seen else end)


def _by_rate(placed: Sequence[tuple[float, Suspect]]) -> list[tuple[float, Suspect]]:
    """By the rate of the part itself, slowest first, so that the board's rows climb to the right."""
    return sorted(placed, key=lambda pair: (own_hz(pair[1]) or 0.0) / pair[1].order)


def _marks(diagnosis: Diagnosis, ranges: Mapping[str, tuple[float, float]]) -> list[dict[str, Any]]:
    """Lettered lines, likeliest first: the suspects of the table, then the healthy lines that were seen."""
    listed = [one for group in groups_worth_showing(diagnosis) for one in group.members]
    listed += [one for one in diagnosis.suspects if one.healthy and one not in listed]
    out: list[dict[str, Any]] = []
    rate_hz = sample_rate_hz(diagnosis)
    for one in listed:
        hz = place_hz(one, rate_hz)
        if hz is None or len(out) == LETTERED:
            continue
        out.append(
            {
                "letter": chr(ord("A") + len(out)),
                "part": one.part,
                "order": one.order,
                "name": suspect_name(one),
                "hz": hz,
                "band": _band(ranges.get(_track_name(one))),
                "seen": one.frequency_hz is not None,
                "likely": one.probability >= LIKELY,
                "percent": percent(one.probability),
                "text": _sentence(one, hz),
            }
        )
    return out


def _peg(hz: float, one: Suspect, letters: dict[tuple[str, float], str]) -> dict[str, Any]:
    return {
        "part": one.part,
        "name": part_text(one.part),
        "order": order_text(one.order),
        "hz": hz,
        "seen": one.frequency_hz is not None,
        "letter": letters.get((one.part, one.order), ""),
        "text": _sentence(one, hz),
    }


def _sentence(one: Suspect, at_hz: float) -> str:
    """What a line is, in one sentence."""
    if one.frequency_hz is None:
        where = f"no line stands out at its {one.expected_hz:.1f} Hz"
    else:
        where = f"measured at {frequency_text(one.frequency_hz, one.frequency_se_hz)} Hz"
        if one.expected_hz is not None:
            where += f", expected at {one.expected_hz:.1f} Hz"
    if one.folded:
        where += f", as a mirror image at {at_hz:.1f} Hz"
    healthy = ", as strong as in any healthy vehicle" if one.healthy else ""
    return f"{suspect_name(one)}: {where}{healthy}; {percent(one.probability)} likely to be the cause."


def _others(
    diagnosis: Diagnosis, taken: Sequence[float], ranges: Mapping[str, tuple[float, float]]
) -> list[dict[str, Any]]:
    """The strongest lines that no letter stands at, each with a number."""
    out: list[dict[str, Any]] = []
    unit = diagnosis.spectrum.unit
    shown = show_unit(unit)
    used = list(taken)
    for line in sorted(diagnosis.lines, key=lambda one: -one.amplitude):
        hz = line.frequency_hz
        if len(out) == OTHERS or hz < LOWEST_HZ or any(abs(hz / one - 1.0) < NEAR for one in used):
            continue
        used.append(hz)
        drawn = peak_of(diagnosis.spectrum, (1 - NEAR) * hz, (1 + NEAR) * hz)
        size = f"{frequency_text(hz, line.frequency_se_hz)} Hz, {two_digits(line.amplitude)} {shown}"
        text = f"line at {size}: {_whose(line, ranges)}."
        height = line.amplitude if drawn is None else drawn[1]  # over the curve, whatever the line measures
        out.append({"number": len(out) + 1, "hz": hz, "amplitude": height, "text": text})
    return out


def _whose(line: LineSeen, ranges: Mapping[str, tuple[float, float]]) -> str:
    """Whose rate a line lies at; where the speed changed, every part that passed there may have left it."""
    passed = [
        name
        for name, (low, high) in ranges.items()
        if high > MOVED * low and (1 - NEAR) * low <= line.frequency_hz <= (1 + NEAR) * high
    ]
    if passed:
        return f"{' and '.join(passed)} passed there as the speed changed"
    return f"the rate of {line.name}" if line.name else "no part's rate"


def _band(ends: tuple[float, float] | None) -> list[float] | None:
    """The range of a rate that moved in this drive; None where it stood."""
    return None if ends is None or ends[1] < MOVED * ends[0] else [float(f"{hz:.5g}") for hz in ends]


def _track_name(one: Suspect) -> str:
    return f"{part_text(one.part)} {order_text(one.order)}"


def _curves(view: SpectrumView, top_hz: float) -> dict[str, list[float | None]]:
    """At most COLUMNS points evenly spaced in the logarithm of frequency; each keeps the highest of its bins."""
    use = (view.frequency_hz >= 0.97 * LOWEST_HZ) & (view.frequency_hz <= top_hz)
    hz, amplitude, floor = view.frequency_hz[use], view.amplitude[use], view.floor[use]
    if not hz.size:
        return {"hz": [], "amplitude": [], "floor": []}
    column = np.floor(np.log(hz / hz[0]) / math.log(max(top_hz / hz[0], 1.01)) * COLUMNS).astype(np.intp)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    ends = np.append(starts[1:], hz.size)
    filled = np.where(np.isfinite(amplitude), amplitude, -np.inf)
    highest = [int(s + np.argmax(filled[s:e])) for s, e in zip(starts, ends, strict=True)]
    return {
        "hz": _plain(hz[highest]),
        "amplitude": _plain(amplitude[highest]),
        "floor": _plain(floor[highest]),
    }


def _tracks(diagnosis: Diagnosis, letters: dict[tuple[str, float], str]) -> list[dict[str, Any]]:
    """The parts' rates against time; those with a letter keep it, the others are lettered on."""
    view = diagnosis.order_map
    known = {_track_name(one): one for one in diagnosis.suspects}
    pick = np.unique(np.linspace(0, max(view.times_s.size - 1, 0), TRACK_POINTS).astype(np.intp))
    free, rate_hz = len(letters), sample_rate_hz(diagnosis)
    out = []
    for name, path in view.tracks[:TRACKS]:
        one = known.get(name)
        letter = letters.get((one.part, one.order), "") if one is not None else ""
        if not letter:
            letter, free = chr(ord("A") + free), free + 1
        out.append(
            {
                "letter": letter,
                "name": name,
                "part": one.part if one is not None else "",
                "times_s": _plain(view.times_s[pick]),
                "hz": _plain(mirrored(path[pick], rate_hz)),
            }
        )
    return out


def _time_ends(view: OrderMap) -> list[float]:
    return [float(view.times_s[0]), float(view.times_s[-1])] if view.times_s.size else [0.0, 1.0]


def _plain(values: FloatArray) -> list[float | None]:
    """Five significant digits: finer than a pixel; what is not finite becomes None."""
    return [float(f"{v:.5g}") if math.isfinite(v) else None for v in values.tolist()]
