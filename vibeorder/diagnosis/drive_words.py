"""A drive in words: what to do, what each suspect's line will do, what to mind; and what to do where none helps."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.drive_entropy import entropy_bits
from vibeorder.diagnosis.drive_model import NOTHING, DriveChoice, Standing
from vibeorder.units import show_percent, show_speeds
from vibeorder.vehicle import lives_on_torque, order_text, part_text

__all__ = [
    "caution_of",
    "how_to_read",
    "instead_of_a_drive",
    "instruction_of",
    "name_of",
    "sharper_text",
    "what_shows",
    "worth_of",
]

FloatArray = NDArray[np.float64]

MOST_TOLD = 3
"""Lines whose course is told: more would not be read."""

TOLD_FROM = 0.08
"""Probability from which a suspect's line is told at all."""

ONE_LINE = 0.01
HELD = 0.02
"""Two lines nearer than this all the way are told as one; a line that moves by less than this stays."""

MANY = 4.0
"""Equally likely suspects up to which "2 or 3" is said: of more, a half is nothing to a reader."""

NEUTRAL_CAUTION = (
    "Neutral at speed only where it is legal and safe: straight, level, empty road, engine running throughout, or "
    "steering and brakes lose their assistance; the driver drives, a second person records."
)
STANDING_CAUTION = (
    "Outdoors, parking brake on, wheels chocked, an automatic in park, nobody in front of the vehicle or near belts "
    "and fans; no longer than half a minute."
)
ROAD_CAUTION = (
    "The driver drives, a second person records; never above the limit, and only as traffic allows."
)


def instruction_of(choice: DriveChoice, unit: str) -> str:
    """What to drive, in one sentence and the user's own unit."""
    low = show_speeds((choice.from_mps,), unit)
    both = show_speeds((choice.from_mps, choice.to_mps), unit)
    gear = f" in gear {choice.gears[0]}" if choice.gears else ""
    seconds = f"{round(choice.duration_s, -1):.0f} s"
    if choice.kind == "hold":
        return f"Hold {low}{gear} for {seconds}."
    if choice.kind == "sweep":
        return f"Drive slowly from {both} and back{gear}, {seconds} in all."
    if choice.kind == "shift":
        half = f"{0.5 * choice.duration_s:.0f} s"
        return f"Hold {low}: {half} in gear {choice.gears[0]}, then {half} in gear {choice.gears[1]}."
    if choice.kind == "coast":
        return f"Coast from {both} in neutral."
    if choice.kind == "load":
        pull = f"pull firmly and {'coast in gear' if choice.gears else 'let it coast'} in turn"
        return f"At {low}{gear}, {pull}, ten seconds each, {seconds} in all."
    return f"Standing still, out of gear, hold the engine at {choice.engine_rpm:.0f} rpm for {seconds}."


def how_to_read(choice: DriveChoice) -> str:
    """Which command reads that drive, where it is not the usual one; else ''."""
    if choice.kind != "stand":
        return ""
    return f' Read it with: vibeorder turning RECORDING --rate-of-turn "{choice.engine_rpm:.0f} rpm".'


def caution_of(choice: DriveChoice) -> str:
    """What to mind on that drive."""
    if choice.kind == "coast":
        return NEUTRAL_CAUTION
    return STANDING_CAUTION if choice.kind == "stand" else ROAD_CAUTION


def worth_of(tells_apart: Sequence[str]) -> str:
    """What a planned drive is good for, in one sentence."""
    if tells_apart:
        return f"Tells apart: {', '.join(tells_apart)}."
    return "Asks again under other conditions: a shake not felt before may be felt here."


def name_of(one: Standing) -> str:
    """A suspect in short: "driveshaft 1x"; 'nothing' is what does not turn."""
    part, order = one.key
    return "what does not turn" if one.key == NOTHING else f"{part_text(part)} {order_text(order)}"


def what_shows(standing: Sequence[Standing], paths: FloatArray, choice: DriveChoice) -> str:
    """What the likeliest suspects' lines would do: "the driveshaft 1x keeps shaking at 39 Hz, the engine ..."."""
    told = [
        i
        for i in np.argsort([-one.probability for one in standing])
        if standing[i].probability >= TOLD_FROM
        and (standing[i].key != NOTHING or standing[i].basis == "fixed")
    ]
    if not told:
        return "no suspect stands out yet, and of all drives this one parts them best"
    groups: list[list[int]] = []
    for i in told:
        same = next((g for g in groups if _one_line(paths[g[0]], paths[i])), None)
        if same is None:
            groups.append([int(i)])
        else:
            same.append(int(i))
    if choice.kind == "load":
        return _under_load([standing[i] for i in told])
    said = [
        _line(_names([standing[i] for i in group]), paths[group[0]], choice) for group in groups[:MOST_TOLD]
    ]
    return ", ".join(said)


def _one_line(a: FloatArray, b: FloatArray) -> bool:
    both = np.isfinite(a) & np.isfinite(b)
    if both.sum() == 0:
        return bool(np.isnan(a).all() and np.isnan(b).all())
    return bool((np.isnan(a) == np.isnan(b)).all() and np.abs(np.log(a[both] / b[both])).max() < ONE_LINE)


def _names(members: Sequence[Standing]) -> str:
    return " or ".join(name if name.startswith("what") else f"the {name}" for name in map(name_of, members))


def _line(who: str, path: FloatArray, choice: DriveChoice) -> str:
    seen = path[np.isfinite(path)]
    if seen.size == 0:
        return f"{who} drops out"
    first, last = float(seen[0]), float(seen[-1])
    low, high = float(seen.min()), float(seen.max())
    if high < (1.0 + HELD) * low:
        stays = "keeps shaking" if choice.kind == "coast" else "shows" if choice.kind == "stand" else "shakes"
        return f"{who} {stays} at {first:.1f} Hz"
    if choice.kind == "shift":
        return f"{who} goes from {first:.1f} to {last:.1f} Hz"
    if choice.kind == "coast":
        return f"{who} keeps shaking, from {first:.1f} down to {last:.1f} Hz"
    return f"{who} moves between {low:.1f} and {high:.1f} Hz"


def _under_load(told: Sequence[Standing]) -> str:
    with_throttle = [one for one in told if lives_on_torque(*one.key)]
    steady = [one for one in told if not lives_on_torque(*one.key)]
    said = []
    if with_throttle:
        said.append(f"{_names(with_throttle)} comes with the throttle")
    if steady:
        said.append(f"{_names(steady)} stays as strong")
    return ", ".join(said) + " (compare how strong it is, measured or by feel: the frequencies are the same)"


def sharper_text(before_bits: float, after_bits: float) -> str:
    """What a drive is expected to bring, in words: doubt before and after it [bits of entropy].

    So many bits are the doubt of 2^bits suspects that are equally likely (Shannon 1948); below one bit, of two of
    which one has the probability p that gives -p log2 p - (1 - p) log2 (1 - p).

    >>> sharper_text(3.5, 1.3)
    'on average narrows 11 suspects, all equally likely, down to 2 or 3'
    >>> sharper_text(1.0, 0.5)
    'on average narrows 2 suspects, both equally likely, down to one that is 89% sure'
    >>> sharper_text(0.5, 0.2)
    'on average makes the first suspect 97% sure instead of 89%'
    """
    before, after = _as_likely(before_bits), _as_likely(after_bits)
    if before_bits < 1.0:
        return f"on average makes the first suspect {after} sure instead of {before}"
    if before == after:
        return f"on average sharpens the odds among {before} suspects a little"
    end = f"one that is {after} sure" if after_bits < 1.0 else after
    all_of = "both" if before == "2" else "all"
    return f"on average narrows {before} suspects, {all_of} equally likely, down to {end}"


def _as_likely(bits: float) -> str:
    """How many equally likely suspects hold that doubt, to half a one; of less than two, how sure the first is."""
    if bits < 1.0:
        low, high = 0.5, 1.0
        for _ in range(30):
            middle = 0.5 * (low + high)
            low, high = (
                (middle, high) if entropy_bits(np.array([middle, 1.0 - middle])) > bits else (low, middle)
            )
        return show_percent(low)
    many = 2.0**bits
    if many > MANY or round(2.0 * many) % 2 == 0:
        return f"{many:.0f}"
    return f"{int(many)} or {int(many) + 1}"


def instead_of_a_drive(twins: Sequence[Standing]) -> tuple[str, str]:
    """(what to do, why) for suspects that turn alike on every drive, likeliest first."""
    parts = {one.key[0] for one in twins}
    names = " and ".join(f"the {name_of(one)}" for one in twins[:MOST_TOLD])
    why = f"{names} turn alike at every speed, in every gear: no drive tells them apart by frequency"
    if "tire_wheel" in parts and "half_shaft" in parts:
        return (
            "No other drive: swap the wheels front to rear and record the same drive again.",
            f"{why}; a shake that moves with the wheels is theirs, one that stays is the half-shaft's or the hub's "
            "(not with directional or staggered tires)",
        )
    if "front_driveshaft" in parts and "driveshaft" in parts:
        return (
            "No other drive: where the maker allows it, take the front driveshaft out and record the same drive again.",
            f"{why}; gone means the front shaft or its flanges",
        )
    if parts == {"engine"} or any(part.startswith("accessory:") for part in parts):
        return (
            "No other drive: standing still at the same engine speed, take the belt off for a short run.",
            f"{why}; gone means what the belt drives",
        )
    return (f"No other drive: {twins[0].check or 'measure the likeliest first.'}", why)
