"""The bench's words for a page: fields instead of options, arrows instead of their spelling."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from vibeorder.bench import Sheet

__all__ = ["plain", "sheet_for_page"]

_ON_THE_PAGE = {
    "Say --runout-checked once it is.": "",
    "--readings": "the field “All readings in one line”",
    "<- best": "← best",
    "rad/s^2": "rad/s²",
}
"""Words of the command line that are written otherwise here."""


def plain(text: str) -> str:
    """A sentence of the bench as the page writes it.

    >>> plain("5.0 thou <- best")
    '5.0 thou ← best'
    """
    for said, here in _ON_THE_PAGE.items():
        text = text.replace(said, here)
    return text.strip()


def sheet_for_page(sheet: Sheet, inputs: Mapping[str, Any]) -> Sheet:
    """A bench sheet in the page's words, with how its places were counted where that was noted."""
    notes = [plain(note) for note in sheet.notes]
    if isinstance(inputs.get("direction"), str):
        notes.append(f"Places are counted {inputs['direction']}.")
    numbers = tuple((plain(name), plain(value)) for name, value in sheet.numbers)
    return replace(sheet, sentence=plain(sheet.sentence), numbers=numbers, notes=tuple(n for n in notes if n))
