"""docs/json.md describes every key that the program writes, and no other, table by table."""

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from pages import DOCS, ROOT
from report_examples import twins, unexplained_drive
from test_report_why import explained

from vibeorder import diagnosis
from vibeorder.diagnosis.result import HeardLine, Leaning, Said, Senses
from vibeorder.recording import read_recording
from vibeorder.report import as_dict, as_json
from vibeorder.vehicle import load_vehicle

HEADINGS = {
    "": "# The JSON result",
    "recording": "## `recording`",
    "suspects[]": "## Each of `suspects`",
    "speed": "## `speed`",
    "speed.path": "## `speed.path`",
    "runout_check": "## `runout_check`",
    "next_drive_detail": "## `next_drive_detail`",
    "next_drive_detail.alternatives[]": "## Each of `next_drive_detail.alternatives`",
    "motion_and_sound": "## `motion_and_sound`",
    "motion_and_sound.heard[]": "## Each of `motion_and_sound.heard`",
    "customer_said": "## `customer_said`",
    "customer_said.leanings[]": "## Each of `customer_said.leanings`",
    "unexplained": "## `unexplained`",
    "lines[]": "## Each of `lines`",
    "why[]": "## `why`, only",
    "why[].for[]": "## Each finding of `why`",
    "why[].against[]": "## Each finding of `why`",
    "why[].silent[]": "## Each finding of `why`",
    "why[].orders[]": "## Each of `why.orders`",
    "why[].track": "## `why.track`",
    "why[].amplitude_by_speed": "## `why.amplitude_by_speed`",
    "why[].amplitude_by_speed.resonance": "## `why.amplitude_by_speed.resonance`",
    "why[].amplitude_by_speed.load": "## `why.amplitude_by_speed.load`",
}
"""Each object of the result -> the heading of its table. A new object fails the test until it has one."""

ONLY_SOMETIMES = {"": {"why", "results"}, "recording": {"together_with"}}
"""Described under headings of their own."""

FREE = "values"
"""A finding's numbers: their names are the finding's own."""


@pytest.fixture(scope="module")
def written() -> dict[str, set[str]]:
    """Each object of all results that there can be -> its keys."""
    truck = load_vehicle(ROOT / "sample_data" / "truck.toml")
    samples = [ROOT / "sample_data" / name for name in ("pinion_flange.csv", "healthy.csv")]
    weighed = [diagnosis.weigh(read_recording(path), truck, gear=7) for path in samples]
    together = diagnosis.judged_together(weighed)
    several = json.loads(as_json([diagnosis.told(one) for one in weighed], together))
    found: dict[str, set[str]] = {}
    for result in (
        several,
        as_dict(explained()),
        as_dict(undecided()),
        as_dict(unexplained_drive()),
        *several["results"],
    ):
        for path, keys in objects(result):
            found.setdefault(path, set()).update(keys)
    return found


def undecided() -> diagnosis.Diagnosis:
    """Two that cannot be told apart, with the drive that would, and another one."""
    two = twins()
    assert two.next_drive is not None
    heard = Senses(
        "1x driveshaft 40.0 Hz 0.2 m/s^2", "4x engine at 120 Hz", (HeardLine("engine", 4.0, 120.0, 9.0),)
    )
    said = Said(
        "driveshaft", 1.0, 0.7, 0.6, "driveshaft 1x", (Leaning("felt in the seat", "driveshaft", 1.2),)
    )
    drive = replace(two.next_drive, alternatives=(("Hold 60 mph for 40 s.", 1.0),))
    return replace(two, next_drive=drive, senses=heard, said=said)


def objects(value: object, path: str = "") -> Iterator[tuple[str, set[str]]]:
    """Every object in a JSON value: where it is, and its keys."""
    if isinstance(value, dict):
        yield path, set(value)
        for key, inner in value.items():
            if key not in (FREE, "results"):
                yield from objects(inner, f"{path}.{key}".lstrip("."))
    elif isinstance(value, list):
        for inner in value:
            yield from objects(inner, f"{path}[]")


def described(heading: str) -> set[str]:
    """The fields of the table under a heading of docs/json.md."""
    page = (DOCS / "json.md").read_text(encoding="utf-8")
    section = re.split(r"\n##? ", page.split(heading, 1)[1], maxsplit=1)[0]
    return {line.split("`")[1] for line in section.splitlines() if line.startswith("| `")}


def test_every_object_of_the_result_has_a_table(written: dict[str, set[str]]) -> None:
    assert set(written) == set(HEADINGS)


@pytest.mark.parametrize("path", HEADINGS, ids=[path or "top" for path in HEADINGS])
def test_every_key_is_described_and_every_described_key_is_written(
    path: str, written: dict[str, set[str]]
) -> None:
    assert written[path] - ONLY_SOMETIMES.get(path, set()) == described(HEADINGS[path])


def test_what_is_only_written_sometimes_is_described_too() -> None:
    assert described("## With several recordings") == {"results", "recording.together_with"}


def test_no_key_in_the_writers_source_is_left_out() -> None:
    # The same the other way round: keys as they stand in the source, also those that no example reaches.
    page = (DOCS / "json.md").read_text(encoding="utf-8")
    for name in ("as_json.py", "why_json.py"):
        source = Path(ROOT / "vibeorder" / "report" / name).read_text(encoding="utf-8")
        keys = set(re.findall(r'"([a-z_]+)":', source))
        assert keys
        assert {key for key in keys if f"`{key}`" not in page} == set()


def test_every_kind_of_finding_is_named() -> None:
    from typing import get_args

    from vibeorder.diagnosis.explanation import Kind

    page = (DOCS / "json.md").read_text(encoding="utf-8")
    assert [kind for kind in get_args(Kind) if f"`{kind}`" not in page] == []
