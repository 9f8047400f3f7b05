"""Words and numbers that terminal, sheet and figures share, so that all three say the same thing."""

import math
from collections.abc import Iterable

import numpy as np

from vibeorder.diagnosis.explanation import Explanation
from vibeorder.diagnosis.groups import SuspectGroup, group_suspects
from vibeorder.diagnosis.result import Diagnosis, SpeedFit, Suspect
from vibeorder.diagnosis.why_words import size, two_digits
from vibeorder.speed.given import DASH_READS_HIGH
from vibeorder.units import STANDARD_GRAVITY, show_speeds
from vibeorder.units import show_percent as percent
from vibeorder.vehicle import order_text, part_text

__all__ = [
    "EXPLAINED",
    "WORTH_EXPLAINING",
    "SuspectGroup",
    "amplitude_g",
    "beside_lines",
    "capitalised",
    "frequency_text",
    "group_suspects",
    "groups_worth_showing",
    "healthy_text",
    "nothing_text",
    "order_text",
    "part_text",
    "percent",
    "place_in_table",
    "recording_text",
    "speed_lines",
    "suspect_facts",
    "suspect_name",
    "table_numbers",
    "twin_lines",
    "two_digits",
]

WORTH_SHOWING = 0.01
"""A suspect below one percent is left to the JSON: a technician acts on the first few rows."""

ROWS_AT_LEAST = 3
"""Even where nothing is likely, the three likeliest are shown, so that 'nothing' can be judged."""

EXPLAINED, WORTH_EXPLAINING = 3, 0.05
"""Groups whose causes and first check are spelled out, and from which probability: from the fourth on nobody unbolts
anything."""

HEALTHY_NAMED = 6
"""Healthy lines that are named; the JSON has them all."""


def groups_worth_showing(diagnosis: Diagnosis) -> tuple[SuspectGroup, ...]:
    """The groups for the ranked table: every one of a percent or more, and never fewer than three."""
    groups = group_suspects(diagnosis.suspects)
    likely = sum(group.probability >= WORTH_SHOWING for group in groups)
    return groups[: max(likely, ROWS_AT_LEAST)]


def place_in_table(one: Explanation, diagnosis: Diagnosis) -> str:
    """What stands before a suspect explained: the number of its row in the table, with "or" from its twins on."""
    for number, group in enumerate(group_suspects(diagnosis.suspects), start=1):
        keys = [(member.part, member.order) for member in group.members]
        if (one.part, one.order) in keys:
            return f"{number}. {'or ' if keys.index((one.part, one.order)) else ''}"
    return ""


def nothing_text(diagnosis: Diagnosis) -> str:
    """What the row of the ranked table without a part is called, so that it says what the verdict says."""
    return "nothing that turns" if diagnosis.unexplained is None else "none of the parts"


def healthy_text(diagnosis: Diagnosis) -> str:
    """One sentence naming the lines that are only as strong as in every healthy vehicle, or ""."""
    healthy = [one for one in diagnosis.suspects if one.healthy and one.frequency_hz is not None]
    names = [
        f"{suspect_name(one)} at {one.frequency_hz:.1f} Hz{_size(one)}" for one in healthy[:HEALTHY_NAMED]
    ]
    if not names:
        return ""
    last = "not a complaint by itself" if len(names) == 1 else "none of them a complaint by itself"
    return f"No stronger than in healthy vehicles: {', '.join(names)}; {last}."


def _size(one: Suspect) -> str:
    """How strong a line is, where it has a scale."""
    return f" ({size(one.amplitude, one.unit)})" if one.unit == "m/s^2" else ""


def suspect_facts(one: Suspect) -> tuple[tuple[str, str], ...]:
    """(heading, text) of what the technician should know about a suspect, what to do first."""
    folded = "Seen below half the sample rate, as its mirror image (folded)" if one.folded else ""
    facts = (
        ("First check", one.first_check),
        ("Caution", one.never),
        ("Usual causes", "; ".join(one.causes)),
        ("Feels and sounds like", one.feel),
        ("Folded", folded),
        ("Evidence", "; ".join(one.evidence)),
    )
    return tuple((heading, capitalised(text)) for heading, text in facts if text)


def table_numbers(one: Suspect, relative: bool, plus_minus: str = "±") -> tuple[str, ...]:
    """A suspect's numbers in the order of the table's columns: measured and expected frequency, size, noise.

    relative: one column for the size instead of two (g and m/s^2).
    """
    expected = "-" if one.expected_hz is None else f"{one.expected_hz:.1f}"
    measured = frequency_text(one.frequency_hz, one.frequency_se_hz, plus_minus)
    if one.frequency_hz is None:
        return (measured, expected, *(("-",) if relative else ("-", "-")), "-")
    in_g = amplitude_g(one.amplitude, one.unit)
    size_g = "-" if in_g is None else two_digits(in_g)
    size = two_digits(one.amplitude)
    return (measured, expected, *((size,) if relative else (size_g, size)), f"{one.snr_db:.0f} dB")


def capitalised(text: str) -> str:
    """A sentence with a capital and a full stop, however it came; a file's name stays as its owner writes it."""
    if "." not in text.partition(" ")[0].rstrip(".:,"):
        text = text[:1].upper() + text[1:]
    return text if not text or text.endswith((".", "!", "?")) else text + "."


def suspect_name(suspect: Suspect) -> str:
    """Part and order in two words, and whether it was seen folded."""
    folded = " (folded)" if suspect.folded else ""
    return f"{part_text(suspect.part)} {order_text(suspect.order)}{folded}"


def frequency_text(frequency_hz: float | None, se_hz: float | None, plus_minus: str = "±") -> str:
    """A frequency with its standard error, to the digit that the error allows (0.01 Hz at the finest)."""
    if frequency_hz is None or not math.isfinite(frequency_hz):
        return "-"
    if se_hz is None or not math.isfinite(se_hz):
        return f"{frequency_hz:.1f}"
    digits = 2 if se_hz < 0.095 else 1
    shown = max(se_hz, 10.0**-digits)
    return f"{frequency_hz:.{digits}f} {plus_minus} {shown:.{digits}f}"


def amplitude_g(amplitude: float, unit: str) -> float | None:
    """Acceleration in g, or None for a relative amplitude."""
    return amplitude / STANDARD_GRAVITY if unit == "m/s^2" else None


def twin_lines(groups: Iterable[SuspectGroup], source: str = "") -> tuple[str, ...]:
    """One sentence for each group that this recording cannot take apart.

    source: of the speed. Where none was told the members are alike within twenty to one only, so each one's share is
    said.
    """
    untold = source == "inferred"
    sentences = []
    for group in groups:
        if len(group.members) > 1 and group.probability >= WORTH_SHOWING:
            names = [
                f"{suspect_name(one)} ({percent(one.probability)})" if untold else suspect_name(one)
                for one in group.members
            ]
            listed = ", ".join(names[:-1]) + " and " + names[-1]
            shared = percent(group.probability)
            sentences.append(f"{listed} cannot be told apart by this recording; together {shared}.")
    return tuple(sentences)


def recording_text(recording: dict[str, object]) -> str:
    """What the recording is, in one line, from whichever facts it carries."""
    parts = [str(recording.get("source", "recording"))]
    kind = recording.get("kind")
    if kind:
        parts.append(str(kind))
    for key, unit in (("duration_s", "s"), ("rate_hz", "samples a second")):
        value = recording.get(key)
        if isinstance(value, int | float) and math.isfinite(value):
            parts.append(f"{value:.4g} {unit}")
    others = recording.get("together_with")
    if isinstance(others, list) and others:
        parts.append(f"together with {', '.join(map(str, others))}")
    return ", ".join(parts)


def beside_lines(diagnosis: Diagnosis) -> tuple[str, ...]:
    """What motion and sound each saw, and what the customer's words did; () where there was neither."""
    lines = []
    if diagnosis.senses is not None:
        lines += [f"Motion: {diagnosis.senses.motion}", f"Sound: {diagnosis.senses.sound}"]
    if diagnosis.said is not None:
        lines.append(capitalised(diagnosis.said.sentence))
        lines += [f"{one.answer}: {one.suspects}, times {one.factor:.2g}" for one in diagnosis.said.leanings]
    return tuple(lines)


def speed_lines(speed: SpeedFit) -> tuple[str, ...]:
    """How fast the vehicle went, where that comes from, and what was fitted."""
    if speed.source == "given" and speed.speed_mps.size and not speed.speed_mps.any():
        return ("Speed: none, the vehicle stood.", *speed.sentences)
    first = f"Speed: {_speed_range(speed)}, {_speed_from(speed)}"
    if speed.gear is not None:
        first += f"; gear {speed.gear}, as given" if speed.gear_given else f"; gear {speed.gear} fits best"
    return (first + ".", *speed.sentences)


def _speed_from(speed: SpeedFit) -> str:
    """Where a speed comes from; one that was read off the dash is shown less than it was typed."""
    if speed.source == "given" and speed.said:
        return (
            f'where "{speed.said}" was given and most speedometers read up to {DASH_READS_HIGH[1]:.0%} high'
        )
    return _SOURCES.get(speed.source, speed.source)


_SOURCES = {
    "given": "as given",
    "logged": "from the recording's own log",
    "log file": "from the speed log",
    "inferred": "inferred from the recording",
}


def _speed_range(speed: SpeedFit) -> str:
    path = speed.speed_mps[np.isfinite(speed.speed_mps)]
    if not path.size:
        return "unknown"
    return show_speeds([float(np.percentile(path, q)) for q in (2.0, 98.0)], speed.unit)
