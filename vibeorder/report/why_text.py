"""What speaks for and against each suspect, in lines that terminal and sheet share."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from vibeorder.diagnosis.explanation import Explanation, Finding, SpeedCurve
from vibeorder.diagnosis.result import Diagnosis
from vibeorder.report.wording import percent, place_in_table, two_digits
from vibeorder.units import dash_units, show_speed, show_speeds

__all__ = ["LEAD", "WhyBlock", "factor", "why_blocks"]

LEAD = (
    "± is one standard error, strengths are peaks. A factor in brackets says how many times likelier (×) or less "
    "likely (÷) that makes it, against nothing that turns. How strong healthy vehicles shake, where complaints begin "
    "and how often each comes is common practice, not measured."
)

HEADINGS = {
    "line": "Line",
    "rate": "Rate",
    "movement": "Movement",
    "shift": "Gear change",
    "harmonics": "Other orders",
    "strength": "Strength",
    "folding": "Folding",
    "prior": "Beforehand",
    "rival": "Rivals",
    "courses": "Speed and gears",
    "speed": "Strength by speed",
    "resonance": "Resonance",
    "load": "Throttle",
    "evidence": "Heard",
}

SAYS_ITS_ODDS = ("rival", "evidence")
MULTIPLIED = ("prior", "strength", "harmonics", "courses")
WORTH_SILENCE = 0.01
"""A suspect below one percent is spared what says nothing about it."""

SHOWN_FROM = 0.05
"""Log weight below which a factor is 1.0 as it would be written, and is left out."""


@dataclass(frozen=True, slots=True)
class WhyBlock:
    """One suspect: its title, and (heading, lines) for, against, and silent; each line (what, sentence).

    place: what stands before the title where the table of suspects is numbered: "2. ", "2. or "; "" of nothing.
    """

    title: str
    place: str
    sections: tuple[tuple[str, tuple[tuple[str, str], ...]], ...]


def why_blocks(diagnosis: Diagnosis) -> tuple[WhyBlock, ...]:
    """One block for each explanation, in order; empty where none was asked for."""
    return tuple(
        _block(one, place_in_table(one, diagnosis), diagnosis.speed.unit) for one in diagnosis.explanations
    )


def factor(weight: float) -> str:
    """A log weight as a factor.

    >>> factor(2.3), factor(-1.6), factor(0.0)
    ('×10', '÷5.0', '×1.0')
    """
    size = math.exp(min(abs(weight), 30.0))
    shown = f"{size:.1f}" if size < 9.95 else f"{size:.0f}" if size < 99.5 else f"{float(f'{size:.2g}'):,.0f}"
    return f"{'÷' if weight < 0 else '×'}{shown.replace(',', '')}"


def _block(one: Explanation, place: str, unit: str) -> WhyBlock:
    sections = [
        ("For", _lines(one.speaks_for)),
        ("Against", _lines(one.speaks_against)),
    ]
    if one.probability >= WORTH_SILENCE:
        sections.append(("Says nothing here", _lines(one.silent)))
    sections.append(("In numbers", _numbers(one, unit)))
    title = f"{one.name}: {percent(one.probability)}"
    return WhyBlock(title, place, tuple(s for s in sections if s[1]))


def _lines(findings: tuple[Finding, ...]) -> tuple[tuple[str, str], ...]:
    return tuple((HEADINGS[one.kind], _sentence(one)) for one in findings)


def _sentence(one: Finding) -> str:
    if one.weight is None or abs(one.weight) < SHOWN_FROM or one.kind in SAYS_ITS_ODDS:
        return one.sentence
    return f"{one.sentence} [{factor(one.weight)}]"


def _numbers(one: Explanation, unit: str) -> tuple[tuple[str, str], ...]:
    """The odds as a product, and the strength in each bin of speed."""
    out = []
    if one.log_odds is not None and one.part:
        weights = {
            f.kind: f.weight for f in one.findings if f.weight is not None and abs(f.weight) >= SHOWN_FROM
        }
        parts = [
            f"{HEADINGS[kind].lower()} {factor(weights[kind])}" for kind in MULTIPLIED if kind in weights
        ]
        product = f" ({', '.join(parts)})" if len(parts) > 1 else ""
        out.append(("Together", f"{factor(one.log_odds)} against nothing that turns{product}."))
    if one.curve is not None and one.probability >= WORTH_SILENCE:
        out.append(("By speed", _by_speed(one.curve, unit, one.unit)))
    return tuple(out)


def _by_speed(curve: SpeedCurve, unit: str, amplitude_unit: str) -> str:
    units = dash_units(unit)
    speeds = [_in_all(float(speed), units) for speed in curve.speed_mps]
    pairs = [f"{speed} {two_digits(float(a))}" for speed, a in zip(speeds, curve.amplitude, strict=True)]
    pairs[0] = f"{show_speeds(curve.speed_mps[:1].tolist(), unit)} {two_digits(float(curve.amplitude[0]))}"
    scale = "m/s² peak" if amplitude_unit == "m/s^2" else "peak, without a scale"
    return f"at {', '.join(pairs)} {scale}."


def _in_all(speed_mps: float, units: Sequence[str]) -> str:
    """A speed without its unit; in brackets behind it what it is in the second one."""
    first, *second = (show_speed(speed_mps, unit).split()[0] for unit in units)
    return first + "".join(f" ({one})" for one in second)
