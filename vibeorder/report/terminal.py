"""A diagnosis as text for a terminal, a pipe or a screen reader: verdict first, then its reasons."""

import io
import textwrap
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from vibeorder.diagnosis.result import Diagnosis, Suspect
from vibeorder.report.why_text import LEAD, why_blocks
from vibeorder.report.wording import (
    EXPLAINED,
    WORTH_EXPLAINING,
    SuspectGroup,
    beside_lines,
    capitalised,
    group_suspects,
    groups_worth_showing,
    healthy_text,
    nothing_text,
    percent,
    recording_text,
    speed_lines,
    suspect_facts,
    suspect_name,
    table_numbers,
    twin_lines,
)

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

__all__ = ["as_text"]

NARROWEST, WIDEST = 72, 96
"""Columns: a table narrower than 72 cannot hold its numbers; lines longer than 96 are hard to read."""

BAR_CELLS = 6


@dataclass(frozen=True, slots=True)
class Signs:
    """The few characters that an old code page lacks."""

    plus_minus: str = "±"
    squared: str = "²"
    bar: str = "█"
    rule: str = "─"
    times: str = "×"
    over: str = "÷"


PLAIN_SIGNS = Signs(plus_minus="+-", squared="^2", bar="#", rule="-", times="x ", over="/ ")


def as_text(
    diagnosis: Diagnosis, *, width: int = 80, terminal: bool = False, ascii_only: bool = False
) -> str:
    """The whole report as text, `width` columns wide.

    terminal: bold headings and probability bars, for eyes on a screen; without it the text is plain and
        reads well aloud. No meaning rests on colour or weight. ascii_only: for code pages without "±".
    """
    from rich.console import Console

    width = min(max(width, NARROWEST), WIDEST)
    paper = io.StringIO()
    console = Console(
        file=paper, width=width, force_terminal=terminal, highlight=False, markup=False, emoji=False,
        color_system="standard" if terminal else None, legacy_windows=False, no_color=True,
    )  # fmt: skip
    signs = PLAIN_SIGNS if ascii_only else Signs()
    _write(console, diagnosis, signs, bars=terminal)
    lines = (_signed(line.rstrip(), signs) for line in paper.getvalue().splitlines())
    return "\n".join(lines).strip("\n") + "\n"


def _write(console: "Console", diagnosis: Diagnosis, signs: Signs, bars: bool) -> None:
    groups = groups_worth_showing(diagnosis)
    _paragraph(console, diagnosis.verdict, style="bold")
    _paragraph(console, _runout(diagnosis))
    _heading(console, "Suspects, likeliest first")
    console.print(_table(groups, diagnosis, signs, bars))
    _paragraph(console, _below_the_table(diagnosis, groups))
    for number, group in enumerate(groups[:EXPLAINED], start=1):
        if group.probability >= WORTH_EXPLAINING:
            _explain(console, number, group)
    twins = twin_lines(groups, diagnosis.speed.source)
    if twins:
        _section(console, "Cannot be told apart", twins)
    drive = diagnosis.next_drive
    if drive is not None:
        _section(console, "Next drive", (drive.instruction, f"Reason: {capitalised(drive.reason)}"))
    _why(console, diagnosis, signs)
    _section(console, "Motion, sound and what was said", beside_lines(diagnosis))
    _section(console, "Speed, gear and tire", speed_lines(diagnosis.speed))
    _section(console, "The recording", (f"File: {recording_text(diagnosis.recording)}", *diagnosis.history))
    _section(console, "Notes", diagnosis.notes)
    _section(console, "Cautions", diagnosis.cautions)


def _runout(diagnosis: Diagnosis) -> str:
    check = diagnosis.runout_check
    if check.warranted:
        return f"Runout check: yes. Where: {capitalised(check.where)} {capitalised(check.why)}"
    return f"Runout check: not warranted. {capitalised(check.why)}"


def _table(groups: Iterable[SuspectGroup], diagnosis: Diagnosis, signs: Signs, bars: bool) -> "Table":
    from rich.box import Box
    from rich.table import Table

    line = signs.rule
    head_only = Box(f"    \n    \n {line}{line} \n    \n    \n    \n    \n    \n", ascii=line == "-")
    table = Table(box=head_only, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False)
    relative = all(one.unit != "m/s^2" for one in diagnosis.suspects)
    table.add_column("", justify="right")
    table.add_column("Part and order", overflow="fold", ratio=1)
    table.add_column("Likely", no_wrap=True, min_width=BAR_CELLS + 5 if bars else None)
    sizes = ("Size,\nrelative",) if relative else ("\ng", f"Peak\nm/s{signs.squared}")
    for name in ("Measured\nHz", "Expected\nHz", *sizes, "Over\nnoise"):
        table.add_column(name, justify="right", no_wrap=True)
    nothing = diagnosis.nothing_found_probability
    rows = [
        (group.probability, _group_rows(n, group, signs, bars, relative)) for n, group in enumerate(groups, 1)
    ]
    rows.append((nothing, [("", nothing_text(diagnosis), _odds(nothing, signs, bars))]))
    for _, group_rows in sorted(rows, key=lambda row: -row[0]):
        for row in group_rows:
            table.add_row(*row)
    return table


def _group_rows(
    number: int, group: SuspectGroup, signs: Signs, bars: bool, relative: bool
) -> list[tuple[str, ...]]:
    odds = (_odds(group.probability, signs, bars), *["shared"] * (len(group.members) - 1))
    numbers = (f"{number}", *[""] * (len(group.members) - 1))
    return [
        (first, _in_group(suspect, place), shown, *table_numbers(suspect, relative, signs.plus_minus))
        for place, (first, shown, suspect) in enumerate(zip(numbers, odds, group.members, strict=True))
    ]


def _in_group(suspect: Suspect, place: int) -> str:
    return suspect_name(suspect) if place == 0 else f"or {suspect_name(suspect)}"


def _odds(probability: float, signs: Signs, bars: bool) -> str:
    said = f"{percent(probability).replace('under ', '<').replace('over ', '>'):>4}"
    return f"{said} {signs.bar * round(BAR_CELLS * probability)}" if bars else said


def _below_the_table(diagnosis: Diagnosis, groups: tuple[SuspectGroup, ...]) -> str:
    said = []
    every = group_suspects(diagnosis.suspects)
    rest = len(every) - len(groups)
    if rest > 0:
        left = sum(group.probability for group in every[len(groups) :])
        said.append(f"{rest} more were weighed, together {percent(left)}.")
    return " ".join((*said, healthy_text(diagnosis))).strip()


def _explain(console: "Console", number: int, group: SuspectGroup) -> None:
    laid_out = group.members[:EXPLAINED]
    for place, suspect in enumerate(laid_out):
        _heading(console, f"{number}. {'or ' if place else ''}{suspect.label}")
        for heading, text in suspect_facts(suspect):
            _item(console, f"{heading}: {text}")
    left = len(group.members) - len(laid_out)
    if left:
        _heading(console, f"{number}. or one of {left} more of the table")
        _item(
            console, "First the next drive: checks of so many parts cost more. --json and --sheet have them."
        )


def _why(console: "Console", diagnosis: Diagnosis, signs: Signs) -> None:
    """What speaks for and against each of the first suspects, where that was asked for."""
    blocks = why_blocks(diagnosis)
    if not blocks:
        return
    _heading(console, "Why: what speaks for and against")
    _paragraph(console, _signed(LEAD, signs))
    for block in blocks:
        _heading(console, f"Why {block.place}{block.title}")
        for heading, lines in block.sections:
            _lines(console, [f"  {heading}"])
            for what, sentence in lines:
                text = _signed(f"{what}: {sentence}", signs)
                _lines(
                    console,
                    textwrap.wrap(text, console.width, initial_indent="    ", subsequent_indent="      "),
                )


def _signed(text: str, signs: Signs) -> str:
    """The text with the signs that this terminal has."""
    for full, own in (("±", signs.plus_minus), ("²", signs.squared), ("×", signs.times), ("÷", signs.over)):
        text = text.replace(full, own)
    return text


def _section(console: "Console", title: str, lines: Iterable[str]) -> None:
    lines = [line for line in lines if line]
    if lines:
        _heading(console, title)
        for line in lines:
            _item(console, capitalised(line))


def _heading(console: "Console", text: str) -> None:
    console.print()
    _lines(console, textwrap.wrap(text, console.width), style="bold")


def _paragraph(console: "Console", text: str, style: str | None = None) -> None:
    if text:
        _lines(console, textwrap.wrap(text, console.width), style)


def _item(console: "Console", text: str) -> None:
    _lines(console, textwrap.wrap(text, console.width, initial_indent="  ", subsequent_indent="    "))


def _lines(console: "Console", lines: Iterable[str] | Iterator[str], style: str | None = None) -> None:
    for line in lines:
        console.print(line, style=style, soft_wrap=True)
