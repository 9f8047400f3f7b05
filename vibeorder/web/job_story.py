"""One job as a page tells it: every entry with its time, what was said, its picture drawn again, and where it leads."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from vibeorder.bench import Sheet
from vibeorder.casebook import Entry, Job, answers_rows, checks_rows, readable
from vibeorder.errors import VibeorderError
from vibeorder.report.wording import percent
from vibeorder.vehicle import order_text, part_text
from vibeorder.web.bench_answers import pictures_again
from vibeorder.web.bench_form import SHEETS
from vibeorder.web.bench_words import sheet_for_page
from vibeorder.web.draw.plot import levels_svg
from vibeorder.web.jobs_common import vehicle_of
from vibeorder.web.pages_common import for_page
from vibeorder.web.store import Store

__all__ = ["Recorded", "Told", "local_time", "recordings_of", "story_of"]

NAMES = {
    "runout": "Runout", "halfturn": "Half-turn test", "mate": "Bolt position", "effect": "Effect of runout",
    "balance": "Balance", "angles": "Joint angles", "shaft": "Shaft speed",
}  # fmt: skip
SPOKEN = {
    "intake": "What the customer said", "checked": "What costs nothing", "decision": "Decision", "cure": "Cure",
    "closed": "Closed", "reopened": "Opened again",
}  # fmt: skip
MOST_SUSPECTS, LEAST_PROBABILITY = 3, 0.01


@dataclass(frozen=True, slots=True)
class Told:
    """One entry. time, iso: when, here and for machines. mark: its stamp, like "before". links: (words, address)."""

    kind: str
    name: str
    time: str
    iso: str
    said: str
    mark: str = ""
    numbers: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    pictures: tuple[str, ...] = ()
    links: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Recorded:
    """A recording of the job whose file is still here. key: "result id/number"."""

    key: str
    name: str
    role: str
    time: str
    suspects: tuple[tuple[str, str], ...] = field(default=())


def story_of(job: Job, store: Store) -> tuple[Told, ...]:
    """The entries, oldest first."""
    vehicle = vehicle_of(job)
    told = []
    for entry in readable(job).entries:
        time, iso = local_time(entry.added_at), entry.added_at
        if entry.kind == "recording":
            told.append(_recording(entry, store, time, iso))
        elif entry.kind == "reading":
            sheet = sheet_for_page(_kept_sheet(entry.body), _mapping(entry.body.get("inputs")))
            name = NAMES.get(str(entry.body.get("command")), "Reading")
            told.append(
                Told("reading", name, time, iso, sheet.sentence, numbers=sheet.numbers, notes=sheet.notes,
                     pictures=pictures_again(entry.body, vehicle), links=_again(job, entry))
            )  # fmt: skip
        elif entry.kind == "comparison":
            told.append(_comparison(entry, time, iso))
        else:
            text, numbers = _in_rows(entry)
            links = (
                (("Ask again", f"/jobs/{job.number}/intake"),)
                if entry.kind == "intake" and not job.closed
                else ()
            )
            told.append(
                Told(
                    entry.kind,
                    SPOKEN.get(entry.kind, entry.kind),
                    time,
                    iso,
                    text,
                    numbers=numbers,
                    links=links,
                )
            )
    return tuple(told)


def recordings_of(job: Job, store: Store) -> tuple[Recorded, ...]:
    """What can be compared: recordings that came over this page and are not thrown away yet."""
    found = []
    for entry in readable(job).of_kind("recording"):
        where = _result_of(entry, store)
        if where:
            suspects = tuple(
                (f"{one['part']}@{float(one['order']):g}", _suspect(one)) for one in _suspects(entry)
            )
            role, name = str(entry.body.get("role", "before")), str(entry.body.get("name", "recording"))
            found.append(Recorded(where, name, role, local_time(entry.added_at), suspects))
    return tuple(found)


def local_time(stamp: str) -> str:
    """A casebook's UTC stamp on this machine's clock."""
    try:
        return datetime.fromisoformat(stamp).astimezone().strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return stamp[:16]


def _recording(entry: Entry, store: Store, time: str, iso: str) -> Told:
    body = entry.body
    diagnosis = _mapping(body.get("diagnosis"))
    suspects = tuple((_suspect(one), percent(float(one["probability"]))) for one in _suspects(entry))
    where = _result_of(entry, store)
    together = _mapping(body.get("together")).get("verdict")
    links = _to_result(where, bool(together))
    role = str(body.get("role", "before"))
    said = str(diagnosis.get("verdict") or "Not diagnosed.")
    inputs = _mapping(body.get("inputs"))
    notes = [f"{name}: {inputs[key]}" for name, key in (("Speed", "speed"), ("Gear", "gear"), ("Phone", "phone_place"))
             if inputs.get(key)]  # fmt: skip
    if together:
        notes.append(str(together))
    if inputs.get("result") and not where:
        notes.append("The recording itself is no longer on this machine; the verdict is.")
    return Told(
        "recording",
        str(body.get("name", "recording")),
        time,
        iso,
        said,
        role,
        suspects,
        tuple(notes),
        (),
        links,
    )


def _in_rows(entry: Entry) -> tuple[str, tuple[tuple[str, str], ...]]:
    """What an entry of words says: a sentence, or rows of question and answer, of check and note."""
    if entry.kind == "intake":
        return "", answers_rows(_mapping(entry.body.get("answers")))
    if entry.kind == "checked":
        return "", checks_rows(_mapping(entry.body.get("checks")))
    return str(entry.body.get("text", "")), ()


def _to_result(where: str, together: bool) -> tuple[tuple[str, str], ...]:
    if not where:
        return ()
    if not together:
        return (("The whole result", f"/result/{where}"),)
    return (
        ("All recordings as one", f"/result/{where.split('/')[0]}"),
        ("This one alone", f"/result/{where}"),
    )


def _comparison(entry: Entry, time: str, iso: str) -> Told:
    result = _mapping(entry.body.get("result"))
    names = [str(_mapping(entry.body.get(role)).get("name", "?")) for role in ("before", "after")]
    unit = str(_mapping(entry.body.get("inputs")).get("speed_unit") or "mph")
    try:
        picture = levels_svg(result, unit)
    except (VibeorderError, KeyError, TypeError, ValueError):  # of any origin: imported, by hand
        picture = ""
    notes = (f"{names[0]} against {names[1]}.", *(for_page(str(one)) for one in result.get("warnings") or ()))
    said, mark = for_page(str(result.get("sentence", ""))), str(result.get("verdict", ""))
    return Told(
        "comparison", "Before and after", time, iso, said, mark, (), notes, (picture,) if picture else ()
    )


def _kept_sheet(body: Mapping[str, Any]) -> Sheet:
    result = _mapping(body.get("result"))
    numbers = tuple((str(name), str(value)) for name, value in _mapping(result.get("numbers")).items())
    notes = result.get("notes")
    kept = tuple(str(note) for note in notes) if isinstance(notes, list) else ()
    return Sheet(str(result.get("sentence", "")), numbers, kept)


def _again(job: Job, entry: Entry) -> tuple[tuple[str, str], ...]:
    sheet = next((s for s, command in SHEETS.items() if command == entry.body.get("command")), "")
    if not sheet or job.closed:
        return ()
    return (("Measure it again", f"/bench/{sheet}?job={job.number}"),)


def _suspects(entry: Entry) -> list[Mapping[str, Any]]:
    listed = _mapping(entry.body.get("diagnosis")).get("suspects")
    found = [one for one in listed if isinstance(one, Mapping)] if isinstance(listed, list) else []
    whole = [one for one in found if {"part", "order", "probability"} <= set(one)]
    return [one for one in whole if float(one["probability"]) >= LEAST_PROBABILITY][:MOST_SUSPECTS]


def _suspect(one: Mapping[str, Any]) -> str:
    return f"{part_text(str(one['part']))} {order_text(float(one['order']))}"


def _result_of(entry: Entry, store: Store) -> str:
    """ "id/number" of the page that a recording's result is on, '' where it is gone."""
    inputs = _mapping(entry.body.get("inputs"))
    name, number = inputs.get("result"), inputs.get("number")
    if not isinstance(name, str) or not isinstance(number, int):
        return ""
    try:
        store.path(name)
    except VibeorderError:
        return ""
    return f"{name}/{number}"


def _mapping(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}
