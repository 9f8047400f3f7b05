"""A comparison of two drives for eyes and programs: a sentence, numbers, JSON, and level against speed."""

import math
from dataclasses import asdict
from typing import TYPE_CHECKING

from vibeorder import __version__
from vibeorder.bench import Sheet
from vibeorder.diagnosis.compare import Comparison
from vibeorder.report.as_json import SCHEMA, plain
from vibeorder.units import show_signed, show_speeds, show_unit, speed_axis

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["comparison_dict", "comparison_figure", "comparison_sheet"]

BEFORE, AFTER, SOUND = "#d55e00", "#0072b2", "#8a8f94"


def comparison_sheet(result: Comparison, speed_unit: str = "mph") -> Sheet:
    """What a technician would say, then the numbers, then what makes the drives less alike."""
    return Sheet(_sentence(result), _numbers(result, speed_unit), result.warnings)


def comparison_dict(result: Comparison, speed_unit: str = "mph") -> dict[str, object]:
    """The comparison as plain JSON values; levels are vector rms."""
    sheet = comparison_sheet(result, speed_unit)
    names = (
        "part", "order", "label", "verdict", "reason", "unit", "before_rms", "before_se", "after_rms",
        "after_se", "before_top_rms", "after_top_rms", "before_hidden", "after_hidden", "ratio_db", "low_db",
        "high_db", "healthy_rms", "common_s",
    )  # fmt: skip
    bins = [{name: plain(value) for name, value in asdict(one).items()} for one in result.bins]
    return {
        "schema": SCHEMA,
        "program": f"vibeorder {__version__}",
        "command": "compare",
        "sentence": sheet.sentence,
        **{name: plain(getattr(result, name)) for name in names},
        "bins": bins,
        "warnings": list(result.warnings),
    }


def comparison_figure(result: Comparison, speed_unit: str = "mph") -> "Figure":
    """Level against speed, before and after, with the level that sound vehicles keep below."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.0, 4.5), layout="constrained")
    axes = figure.add_subplot()
    across, per = speed_axis(speed_unit)
    hidden = False
    for name, color, marker in (("before", BEFORE, "o"), ("after", AFTER, "s")):
        levels = [getattr(one, f"{name}_rms") for one in result.bins]
        speeds = [one.speed_mps / per for one in result.bins]
        known = [math.nan if level is None else level for level in levels]
        buried = getattr(result, f"{name}_hidden")
        face = "none" if buried else color
        axes.plot(speeds, known, marker=marker, color=color, markerfacecolor=face, label=f"{name} the repair")
        lost = [speed for speed, level in zip(speeds, levels, strict=True) if level is None]
        axes.plot(
            lost, [0.0] * len(lost), marker=marker, color=color, markerfacecolor="none", linestyle="none"
        )
        hidden = hidden or buried or bool(lost)
    if hidden:
        axes.plot([], [], "o", color=SOUND, markerfacecolor="none", label="hollow: hidden by the noise")
    axes.axhline(result.healthy_rms, color=SOUND, linestyle="--", label="95 of 100 sound vehicles stay below")
    axes.set_ylim(bottom=-0.03 * axes.get_ylim()[1])
    axes.set_xlabel(across)
    axes.set_ylabel(f"{result.label}, vector rms ({show_unit(result.unit)})")
    axes.set_title(_sentence(result), fontsize=9, wrap=True)
    axes.legend()
    return figure


def _sentence(result: Comparison) -> str:
    what = result.label
    if result.verdict == "cannot say":
        return f"Cannot say whether the {what}, is better: {result.reason}."
    before, after = (f"{rms:.3f} {show_unit(result.unit)}" for rms in (result.before_rms, result.after_rms))
    left = (
        after if result.ratio_db is not None else f"no longer above the road noise (at most {_top(result)})"
    )
    was = f"it was {before} and is {left}"
    if result.verdict == "cured" and result.ratio_db is None:
        return f"Cured: the {what}, was {before} and is {left}, below where complaints begin."
    if result.verdict == "cured":
        return f"Cured: the {what}, is at the level of a sound vehicle; {was}."
    if result.verdict == "improved":
        more = "but more is left than most sound vehicles have" if _much(result) else (
            "but this recording cannot show that it is down to the level of a sound vehicle"
        )  # fmt: skip
        return f"Improved, not proven cured: the {what}, is {_change(result)}, {more}; {was}."
    if result.verdict == "worse":
        return f"Worse: the {what}, is {_change(result)}; {was}."
    return f"Unchanged: the {what}, is as strong as before within what two drives differ; {was}."


def _much(result: Comparison) -> bool:
    return result.ratio_db is not None and result.after_rms > result.healthy_rms


def _top(result: Comparison) -> str:
    return f"{result.after_top_rms:.3f} {show_unit(result.unit)}"


def _change(result: Comparison) -> str:
    if result.ratio_db is None:
        return _at_least(result)
    times = 10.0 ** (abs(result.ratio_db) / 20.0)
    return f"{times:.1f} times {'weaker' if result.ratio_db < 0.0 else 'stronger'}"


def _at_least(result: Comparison) -> str:
    """How much weaker a line is of which nothing is left to measure: by the upper end of its interval."""
    least = 1.0 if result.high_db is None else math.floor(10.0 ** (1.0 - result.high_db / 20.0)) / 10.0
    return f"at least {least:.1f} times weaker" if least > 1.0 else "weaker, by how much cannot be said"


def _numbers(result: Comparison, unit: str) -> tuple[tuple[str, str], ...]:
    if not result.bins:
        return ()
    speeds = [one.speed_mps for one in result.bins]
    at = show_speeds((min(speeds), max(speeds)), unit)
    rows = [
        ("common time", f"{result.common_s:.0f} s at {at}"),
        ("before", f"{_level(result, 'before')} (vector rms)"),
        ("after", _level(result, "after")),
        ("change", _interval(result)),
        (
            "sound vehicles",
            f"95 of 100 below {result.healthy_rms:.3f} {show_unit(result.unit)} (assumed, not measured)",
        ),
    ]
    return tuple(rows)


def _level(result: Comparison, side: str) -> str:
    """A level with its error and the upper end of its 95% interval; of one that noise hides only that end is known."""
    rms, se, top = (getattr(result, f"{side}_{name}") for name in ("rms", "se", "top_rms"))
    unit = show_unit(result.unit)
    if getattr(result, f"{side}_hidden"):
        return f"hidden by the noise: at most {top:.3f} {unit}"
    return f"{rms:.3f} ± {se:.3f} {unit}, at most {top:.3f} {unit}"


def _interval(result: Comparison) -> str:
    if result.high_db is None:
        return "not measured"
    if result.ratio_db is None or result.low_db is None or not math.isfinite(result.low_db):
        least = show_signed(abs(result.high_db), 1).lstrip("+")
        return (
            f"at least {least} dB weaker (95%)"
            if result.high_db < 0.0
            else f"at most {least} dB stronger (95%)"
        )
    low, high = (show_signed(end, 1) for end in (result.low_db, result.high_db))
    return f"{show_signed(result.ratio_db, 1)} dB, 95% interval {low} to {high} dB"
