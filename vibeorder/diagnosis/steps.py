"""Stretches of a recording that were marked: drives of a card by their names, and where it was felt.

A drive in neutral or at a standstill excludes what a drive in gear cannot: in neutral the engine's rate is its own, so
that a line which keeps step with the wheels is not the engine's; standing, only the engine and its accessories turn.
Each stretch is judged with what it excludes, and all are put together as several recordings are (`together.py`).
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from vibeorder.diagnosis.cutting import cut
from vibeorder.diagnosis.diagnose import Progress, Weighed, weigh
from vibeorder.diagnosis.unit_told import unit_told
from vibeorder.errors import VibeorderError
from vibeorder.recording.model import Recording, Trace
from vibeorder.speed.given import SpeedGiven
from vibeorder.units import parse_rotation
from vibeorder.vehicle import Vehicle

__all__ = ["Step", "marked_stretches", "parse_step", "steps_from", "weigh_marked", "weigh_recording"]

Kind = Literal["hold", "sweep", "shift", "load", "coast", "stand", "felt", "rest"]

LEAST_S = 8.0
"""A shorter stretch is left to the rest of the drive."""

BEFORE_S, AFTER_S = 14.0, 6.0
"""How long about a tap on "it shakes now" the shake is taken to be felt: one waits, looks, and taps (common practice,
no source)."""

_RPM = re.compile(r"([\d.,]+)\s*rpm", re.IGNORECASE)
_GEAR = re.compile(r"\bgear\s+(\d+)", re.IGNORECASE)
_NUMBERED = re.compile(r"^\s*step\s+\d+\s*:\s*", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Step:
    """A stretch of a recording, in seconds on its own clock, and what was driven there.

    gear: held throughout, where the name says one. engine_rpm: held while standing, where it says so.
    """

    begin_s: float
    end_s: float
    kind: Kind
    name: str
    gear: int | None = None
    engine_rpm: float | None = None


def parse_step(begin_s: float, end_s: float, name: str) -> Step | None:
    """A step by its name, as the drive card words it or as somebody would; None where the name says no such drive.

    >>> parse_step(0.0, 30.0, "step 2: Coast from 60 to 40 mph in neutral.").kind
    'coast'
    """
    said = _NUMBERED.sub("", name)
    words = said.lower()
    rpm, gears = _RPM.search(said), [int(g) for g in _GEAR.findall(said)]
    gear = gears[0] if len(set(gears)) == 1 else None
    if "standing" in words or "standstill" in words or "stationary" in words:
        engine = None if rpm is None else 60.0 * parse_rotation(f"{rpm.group(1)} rpm").si
        return Step(begin_s, end_s, "stand", said, None, engine)
    if "neutral" in words:
        return Step(begin_s, end_s, "coast", said)
    if "throttle" in words or "pull" in words or "load" in words:
        return Step(begin_s, end_s, "load", said, gear)
    if len(set(gears)) > 1:
        return Step(begin_s, end_s, "shift", said)
    if "hold" in words:
        return Step(begin_s, end_s, "hold", said, gear)
    return Step(begin_s, end_s, "sweep", said, gear) if "drive" in words else None


def steps_from(named: Sequence[tuple[float, float | None, str]], duration_s: float) -> tuple[Step, ...]:
    """Steps out of (begin, end or None, name), as the recorder's file has them; too short ones left out."""
    found = []
    for i, (begin, end, name) in enumerate(named):
        following = named[i + 1][0] if i + 1 < len(named) else duration_s
        last = min(following if end is None else end, duration_s)
        step = parse_step(max(begin, 0.0), last, name)
        if step is not None and step.end_s - step.begin_s >= LEAST_S:
            found.append(step)
    return tuple(found)


def marked_stretches(marks_s: Sequence[float], duration_s: float) -> tuple[Step, ...]:
    """The drive cut into where "it shakes now" was tapped and the rest; () where that is all of it or nothing."""
    spans: list[list[float]] = []
    for mark in sorted(marks_s):
        low, high = max(mark - BEFORE_S, 0.0), min(mark + AFTER_S, duration_s)
        if spans and low - spans[-1][1] < LEAST_S:
            spans[-1][1] = max(spans[-1][1], high)
        elif high - low >= LEAST_S:
            spans.append([low, high])
    if not spans or sum(b - a for a, b in spans) > duration_s - LEAST_S:
        return ()
    edges = [0.0, *(t for span in spans for t in span), duration_s]
    rest = [Step(a, b, "rest", "not marked") for a, b in zip(edges[::2], edges[1::2], strict=True)]
    felt = [Step(a, b, "felt", '"it shakes now"') for a, b in spans]
    return tuple(
        sorted([s for s in (*rest, *felt) if s.end_s - s.begin_s >= LEAST_S], key=lambda s: s.begin_s)
    )


def weigh_recording(
    recording: Recording,
    vehicle: Vehicle,
    speed: SpeedGiven | Trace | None = None,
    gear: int | None = None,
    low_range: bool = False,
    progress: Progress | None = None,
    sound: Recording | None = None,
    named: Sequence[tuple[float, float | None, str]] = (),
    marks_s: Sequence[float] = (),
) -> list[Weighed]:
    """A recording weighed: in its stretches where drives were named or a shake was marked in it, else whole.

    named: (begin, end or None, name) of each drive; marks_s: of each tap on "it shakes now", in seconds from the first
    sample. Arguments else as for `weigh`.
    """
    steps = steps_from(named, recording.duration_s) or marked_stretches(marks_s, recording.duration_s)
    if not steps:
        return [weigh(recording, vehicle, speed, gear, low_range, progress, sound)]
    return weigh_marked(recording, vehicle, steps, speed, gear, low_range, progress, sound)


def weigh_marked(
    recording: Recording,
    vehicle: Vehicle,
    steps: Sequence[Step],
    speed: SpeedGiven | Trace | None = None,
    gear: int | None = None,
    low_range: bool = False,
    progress: Progress | None = None,
    sound: Recording | None = None,
) -> list[Weighed]:
    """Every stretch weighed with what it excludes, ready for `judged_together`; arguments else as for `weigh`.

    A stretch that cannot be judged (too short, the sensor silent) is left out.
    Raises VibeorderError where none can.
    """
    if speed is None:
        recording = unit_told(recording, vehicle, gear, low_range)
    found, errors = [], list[VibeorderError]()
    for step in steps:
        part = cut(recording, step.begin_s, step.end_s, step.name)
        beside = _within(speed if speed is not None else recording.speed, recording, step)
        standing = step.kind == "stand"
        try:
            one = weigh(
                part,
                vehicle,
                None if standing else beside,
                step.gear
                if step.gear is not None
                else gear
                if step.kind in ("felt", "rest", "hold", "load")
                else None,
                low_range,
                progress,
                None if standing else sound,
                neutral=step.kind == "coast",
                standing_rpm=step.engine_rpm if standing else None,
                standing=standing,
            )
        except VibeorderError as error:
            errors.append(error)
            continue
        found.append(replace(one, felt=step.kind == "felt"))
    if not found:
        raise errors[0] if errors else VibeorderError(f"{recording.source} has no marked stretch to judge")
    return found


def _within(speed: SpeedGiven | Trace | None, recording: Recording, step: Step) -> SpeedGiven | Trace | None:
    """The speed as far as the stretch needs it: with what lies a little beyond, for smoothing."""
    if not isinstance(speed, Trace):
        return speed
    low, high = recording.start_s + step.begin_s - 10.0, recording.start_s + step.end_s + 10.0
    near = (speed.times_s >= low) & (speed.times_s <= high)
    return replace(speed, times_s=speed.times_s[near], values=speed.values[near]) if near.sum() > 2 else speed
