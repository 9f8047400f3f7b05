"""docs/glossary.md holds the words that a newcomer meets, once each, and points only to entries that exist."""

import re
from collections import Counter

import pytest
from pages import DOCS

from vibeorder.bench import PLACES
from vibeorder.units import STANDARD_GRAVITY
from vibeorder.vehicle.sources import CATALOGUE

PAGE = (DOCS / "glossary.md").read_text(encoding="utf-8")
ENTRY = re.compile(r"^\*\*(.+?)\.\*\* (.+?)(?=\n\n|\Z)", re.MULTILINE | re.DOTALL)
ENTRIES = {name: " ".join(text.split()) for name, text in ENTRY.findall(PAGE)}
NAMES = {part.strip().lower() for name in ENTRIES for part in re.sub(r"\(.*?\)", "", name).split(",")}
ITALIC = re.compile(r"(?<!\*)\*([^*]+)\*(?!\*)")

ASKED = (
    "runout", "order", "driveshaft", "pinion flange", "match-mount", "companion flange", "phasing",
    "working angle", "eccentricity", "high spot", "radial force variation", "first order", "second order",
    "half-shaft", "coast", "lock-up", "aliasing", "folded", "half-turn test", "critical speed",
)  # fmt: skip
WORDS_ONLY = {"radial", "lateral", "face", "front driveshaft", "next drive"}
"""Set in italics for their sound, explained where they stand."""


@pytest.mark.parametrize("word", ASKED)
def test_the_word_is_explained(word: str) -> None:
    assert word in NAMES


def test_no_word_is_explained_twice() -> None:
    names = [name for name, _ in ENTRY.findall(PAGE)]
    assert [name for name, count in Counter(names).items() if count > 1] == []


def test_italics_point_to_entries() -> None:
    body = PAGE.split("\n## ", 1)[1]
    pointed = {" ".join(word.split()).lower() for word in ITALIC.findall(body)}
    lost = {word for word in pointed if word not in WORDS_ONLY and word.removesuffix("'s") not in NAMES}
    assert pointed and lost == set()


def test_every_part_and_order_of_the_catalogue_is_explained() -> None:
    words = {1.0: "first order", 2.0: "second order", 3.0: "third order", 0.5: "half order"}
    assert {words[source.order] for source in CATALOGUE if source.order in words} <= NAMES
    parts = {source.part.split(":")[0] for source in CATALOGUE} - {"front_driveshaft"}
    spelt = {"tire_wheel": "tire and wheel", "half_shaft": "half-shaft"}
    assert {spelt.get(part, part) for part in parts} <= NAMES


def test_numbers_are_those_of_the_program() -> None:
    assert f"1 g is {STANDARD_GRAVITY} m/s²" in ENTRIES["g, m/s²"]
    assert {place.kind for place in PLACES} == {"radial", "lateral"}
    assert "0.0254 mm" in ENTRIES["Thou"]  # international inch, 1959: 25.4 mm
