"""Which of motion and sound saw what, in words."""

from collections.abc import Sequence

import numpy as np

from vibeorder.diagnosis.result import Diagnosis, HeardLine, Senses, Suspect
from vibeorder.diagnosis.signal import folded
from vibeorder.units import show_unit
from vibeorder.vehicle import part_text

__all__ = ["senses_of"]

MOST_TOLD = 3
"""Lines that are told of each: more are in the list."""

ONE_LINE_HZ = 0.6
"""Suspects seen nearer than this, folded or not, look at one line."""

SEEN_DB = 3.0
"""Over noise, from which the motion is said to see a suspect's line."""


def senses_of(found: Diagnosis, heard: Sequence[HeardLine]) -> Senses:
    """A sentence of each: "1x driveshaft 39.1 Hz 0.21 m/s^2" and "2x and 4x engine at 60 and 120 Hz"."""
    rate = found.recording.get("rate_hz")
    rate_hz = float(rate) if isinstance(rate, int | float) else 1e9
    placed = [
        (float(folded(np.array([s.frequency_hz]), rate_hz)[0]), s)
        for s in sorted(found.suspects, key=lambda s: -s.probability)
        if s.frequency_hz is not None and s.snr_db > SEEN_DB
    ]
    # a line once, under the likeliest of the names it may bear
    named: list[tuple[float, Suspect]] = []
    for place, suspect in placed:
        if all(abs(place - other) > ONE_LINE_HZ for other, _ in named):
            named.append((place, suspect))
    clearest = sorted((s for _, s in named), key=lambda s: -s.amplitude)
    motion = ", ".join(_seen(s) for s in clearest[:MOST_TOLD]) or "no line stands out"
    return Senses(motion, _heard(heard), tuple(heard))


def _seen(suspect: Suspect) -> str:
    unit = show_unit(suspect.unit) if suspect.unit == "m/s^2" else ""
    size = f"{suspect.amplitude:.2g} {unit}".strip()
    return f"{suspect.order:g}x {part_text(suspect.part)} {suspect.frequency_hz:.1f} Hz {size}"


def _heard(heard: Sequence[HeardLine]) -> str:
    """The lines by part, the part with the clearest first, its orders in order."""
    parts = list(dict.fromkeys(h.part for h in heard))
    told = []
    for part in parts[:MOST_TOLD]:
        own = sorted([h for h in heard if h.part == part][: MOST_TOLD + 1], key=lambda h: h.order)
        orders = _and([f"{h.order:g}x" for h in own])
        told.append(f"{orders} {part_text(part)} at {_and([f'{h.frequency_hz:.0f}' for h in own])} Hz")
    return ", ".join(told) or "no part's line is heard"


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
