"""Plain pictures over a straight axis: pull against shaft speed, a shaft's speeds on a strip, before and after."""

import math
from collections.abc import Mapping
from typing import Any

from vibeorder.bench import Effect, ShaftCheck, effect_of_runout
from vibeorder.units import show_unit, speed_axis
from vibeorder.web.draw.frequency import number
from vibeorder.web.draw.polar import SMALL, TEXT, close, label, line, nice_step, opened

__all__ = ["effect_svg", "levels_svg", "shaft_svg"]

WIDTH, LEFT, RIGHT = 440.0, 58.0, 425.0
TOP, BOTTOM = 40.0, 270.0
CURVE_POINTS = 40


def effect_svg(result: Effect) -> str:
    """The pull in newtons against shaft speed, with the speeds asked for."""
    top_hz = max(s.rate_hz for s in result.speeds)
    rates = [top_hz * 1.1 * k / CURVE_POINTS for k in range(1, CURVE_POINTS + 1)]
    if result.critical_hz is not None:
        rates = [rate for rate in rates if rate < result.critical_hz]
    curve = effect_of_runout(
        result.tir_m, result.mass_kg, rates, one_end=result.one_end, critical_hz=result.critical_hz
    ).speeds
    frame = _Frame(66.0 * top_hz, max(s.force_n for s in (*curve, *result.speeds)))
    said = "; ".join(f"{60 * s.rate_hz:.0f} rpm {s.force_n:.0f} N" for s in result.speeds)
    out = [
        opened(WIDTH, 325.0, "effect", f"Pull against shaft speed: {said}."),
        frame.axes("shaft speed, rpm", "pull, N"),
    ]
    points = [frame.at(60.0 * s.rate_hz, s.force_n) for s in curve]
    out.append(line([frame.at(0, 0), *points], "fitted"))
    for s in result.speeds:
        x, y = frame.at(60.0 * s.rate_hz, s.force_n)
        out.append(f'<circle class="read" cx="{number(x)}" cy="{number(y)}" r="6"/>')
        out.append(label(x - 12.0, y - 8.0, f"{s.force_n:.0f} N", "end", TEXT, "strong halo"))
    out.append(close())
    return "".join(out)


def shaft_svg(result: ShaftCheck) -> str:
    """A strip of shaft speeds: safe, the band about half critical, the critical speed, and the vehicle's highest."""
    highest = 60.0 * (result.highest_hz or 0.0)
    critical, safe = 60.0 * result.critical_hz, 60.0 * result.safe_hz
    end = 1.1 * max(critical, highest)

    def x(rpm: float) -> float:
        return 10.0 + (WIDTH - 20.0) * rpm / end

    said = f"Speeds in rpm: half critical {critical / 2:.0f}, safe up to {safe:.0f}, critical {critical:.0f}"
    said += f", highest of the vehicle {highest:.0f}." if highest else "."
    out = [
        opened(WIDTH, 190.0, "strip", said),
        f'<rect class="safe" x="{number(x(0))}" y="80" width="{number(x(safe) - x(0))}" height="36"/>',
        line([(x(0), 80), (x(end), 80), (x(end), 116), (x(0), 116), (x(0), 80)], "rim"),
    ]
    marks = [(critical / 2, "half critical", 136.0), (safe, "safe to", 160.0), (critical, "critical", 136.0)]
    for rpm, name, y in marks:
        out.append(line([(x(rpm), 80.0), (x(rpm), y - 14.0)], "mark"))
        out.append(label(min(x(rpm), WIDTH - 55.0), y, f"{name} {rpm:.0f}", "middle", TEXT))
    if highest:
        at = x(highest)
        out.append(f'<path class="high" d="M{number(at)} 80l-9 -18h18Z"/>')
        anchor = "end" if at > WIDTH - 90 else "start" if at < 90 else "middle"
        out.append(label(at, 50.0, f"highest here {highest:.0f} rpm", anchor, TEXT, "strong"))
    out.append(label(x(0), 184.0, "shaft speed, rpm", "start", SMALL, "soft"))
    out.append(close())
    return "".join(out)


def levels_svg(result: Mapping[str, Any], speed_unit: str = "mph") -> str:
    """Level against road speed before and after a repair, from a comparison's JSON; '' where it has no speeds."""
    bins = [one for one in result.get("bins") or [] if isinstance(one, Mapping)]
    if not bins:
        return ""
    across, per = speed_axis(speed_unit)
    speeds = [float(one["speed_mps"]) / per for one in bins]
    levels = [float(one[key] or 0.0) for one in bins for key in ("before_rms", "after_rms")]
    healthy = float(result.get("healthy_rms") or 0.0)
    frame = _Frame(max(speeds), max([*levels, healthy]), min(speeds))
    unit = show_unit(str(result.get("unit", "")))
    hollow = any(one[key] is None for one in bins for key in ("before_rms", "after_rms"))
    out = [
        opened(
            WIDTH,
            404.0 if hollow else 380.0,
            "levels",
            f"Level against speed before and after. {result.get('sentence', '')}",
        ),
        frame.axes(across, unit),
    ]
    if healthy > 0.0:
        y = frame.at(frame.low, healthy)[1]
        out.append(line([(LEFT, y), (RIGHT, y)], "limit", "9 5"))
    for key, css, dashes in (("before_rms", "before", ""), ("after_rms", "after", "8 5")):
        placed = [frame.at(v, float(one[key] or 0.0)) for v, one in zip(speeds, bins, strict=True)]
        hidden = [one[key] is None for one in bins]
        out.append(line([at for at, lost in zip(placed, hidden, strict=True) if not lost], css, dashes))
        out += [_point(css, *at, hidden=lost) for at, lost in zip(placed, hidden, strict=True)]
    out += _levels_key(healthy, hollow)
    out.append(close())
    return "".join(out)


class _Frame:
    """Straight axes from `low` to `high` and from 0 to `top`."""

    def __init__(self, high: float, top: float, low: float = 0.0) -> None:
        spread = high - low
        self.low, self.high = (low, high) if spread > 0.0 else (low - 1.0, high + 1.0)
        self.top = 1.12 * (top or 1.0)

    def at(self, across: float, up: float) -> tuple[float, float]:
        share = (across - self.low) / (self.high - self.low)
        return LEFT + share * (RIGHT - LEFT), BOTTOM - up / self.top * (BOTTOM - TOP)

    def axes(self, across: str, up: str) -> str:
        out = []
        for value in _ticks(self.low, self.high, 5):
            x = self.at(value, 0.0)[0]
            out.append(line([(x, TOP), (x, BOTTOM)], "ring"))
            out.append(label(x, BOTTOM + 20.0, f"{value:g}", "middle", SMALL))
        for value in _ticks(0.0, self.top, 5):
            y = self.at(self.low, value)[1]
            out.append(line([(LEFT, y), (RIGHT, y)], "ring"))
            out.append(label(LEFT - 8.0, y + 5.0, f"{value:g}", "end", SMALL))
        out.append(line([(LEFT, TOP), (LEFT, BOTTOM), (RIGHT, BOTTOM)], "rim"))
        out.append(label((LEFT + RIGHT) / 2, BOTTOM + 42.0, across, "middle", TEXT))
        out.append(label(8.0, TOP - 16.0, up, "start", TEXT))
        return "".join(out)


def _ticks(low: float, high: float, most: int) -> list[float]:
    step = nice_step(high - low, most)
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 10) for k in range(first, int(high / step + 1e-9) + 1)]


def _point(css: str, x: float, y: float, *, hidden: bool = False) -> str:
    """hidden: hollow, where noise hides the level."""
    kind = f"{css}-point{' hidden-level' if hidden else ''}"
    if css == "before":
        return f'<circle class="{kind}" cx="{number(x)}" cy="{number(y)}" r="6"/>'
    return f'<rect class="{kind}" x="{number(x - 5.5)}" y="{number(y - 5.5)}" width="11" height="11"/>'


def _levels_key(healthy: float, hollow: bool) -> list[str]:
    y = 340.0
    key = [_point("before", LEFT, y - 5), label(LEFT + 12, y, "before the repair"),
           _point("after", LEFT + 170, y - 5), label(LEFT + 182, y, "after it")]  # fmt: skip
    if hollow:
        key.append(label(LEFT - 6, y + 50, "hollow: hidden by the noise"))
    if healthy > 0.0:
        key.append(label(LEFT - 6, y + 26, "red dashes: 95 of 100 sound vehicles stay below"))
    return key
