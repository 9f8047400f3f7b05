"""The order of work at the bench: what each sheet is for, what must be done before it, what comes after it.

Runout before balance, and balance for the first order only (`vehicle/sources.py`, `bench/balance.py`); a half turn
tells whose runout it is, then the parts are mated. common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from vibeorder.bench import (
    PLACES,
    Answer,
    Balance,
    CircleBalance,
    Effect,
    JointCheck,
    Mating,
    Runout,
    ShaftCheck,
    Shares,
    may_balance,
)
from vibeorder.casebook import Job, runout_on_record, runouts_within_limits
from vibeorder.errors import VibeorderError
from vibeorder.vehicle import RUNOUT_BEFORE_BALANCE
from vibeorder.vehicle.trade import CAUTIONS

__all__ = ["ABOUT", "CARRIED", "About", "Link", "may_be_balanced", "next_links", "sheet_link"]

CARRIED = ("part", "order", "job", "from", "recording", "vehicle", "unit")
"""Fields that go along from one sheet to the next."""
TURNING, RIDE_HEIGHT, ONE_USE, MAKER = CAUTIONS[1:5]
_SHAFT_PARTS = ("", "driveshaft", "front_driveshaft", "half_shaft")


@dataclass(frozen=True, slots=True)
class About:
    """A sheet. when: in one line, when it is used. cautions: what may hurt or be spoilt here."""

    name: str
    when: str
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Link:
    """Where to go next and why."""

    words: str
    href: str


ABOUT: Mapping[str, About] = {
    "runout": About(
        "Runout", "Is it true? Dial readings round one turn, against the limit.",
        ("Turn the part by hand, ignition off, transmission in neutral.", TURNING, ONE_USE, MAKER),
    ),
    "half-turn": About(
        "Half-turn test", "It is over the limit: which of the two bolted parts carries it?",
        ("Mark both parts across the joint before unbolting.", TURNING, ONE_USE, MAKER),
    ),
    "mating": About(
        "Bolt position", "Both parts are a little out: which way do they cancel best?",
        ("Mark both parts across the joint before unbolting.", TURNING, ONE_USE, MAKER),
    ),
    "effect": About(
        "Effect of runout", "Does it matter? How hard this runout pulls at speed.", (MAKER,)
    ),
    "balance": About(
        "Balance", "Only for the first order, and only what runs true: weight and place from trial runs.",
        (TURNING, RIDE_HEIGHT, "Stop the shaft and chock the wheels before a weight or clamp is touched.", MAKER),
    ),
    "angles": About(
        "Joint angles", "Second order of a driveshaft: slopes of the pieces, and the shim that cures it.",
        (RIDE_HEIGHT, TURNING, ONE_USE, MAKER),
    ),
    "shaft": About(
        "Shaft speed", "Is the tube too long or too thin for its speed?", (TURNING, MAKER)
    ),
}  # fmt: skip
"""In the order of work."""


def sheet_link(sheet: str, typed: Mapping[str, str], **more: Any) -> str:
    """The address of another sheet with what goes along from this one."""
    fields = {name: typed[name] for name in CARRIED if typed.get(name)}
    fields |= {name: str(value) for name, value in more.items() if value not in (None, "")}
    return f"/bench/{sheet}" + (f"?{urlencode(fields)}" if fields else "")


def may_be_balanced(order: float, stated: bool, job: Job | None) -> tuple[str, str]:
    """('', '') where a balance may be worked out, else (name of the field, why not).

    A runout within limits must be on record in the job, or be stated.
    """
    try:
        may_balance(order, runout_checked=True)
    except VibeorderError as refused:
        why = str(refused)
        return "order", why[0].lower() + why[1:]
    if stated or (job is not None and runouts_within_limits(job)):
        return "", ""
    record = {} if job is None else runout_on_record(job)
    bad = [f"{place} ({verdict})" for place, verdict in record.items() if verdict != "within"]
    found = f"on record: {', '.join(bad)}" if bad else "no runout check within limits is on record"
    return (
        "runout_checked",
        f"{found}. {RUNOUT_BEFORE_BALANCE} Measure it first, or state that it was measured.",
    )


def next_links(
    sheet: str, answer: Answer, inputs: Mapping[str, Any], typed: Mapping[str, str], job: Job | None
) -> tuple[Link, ...]:
    """The next sensible steps after an answer, the first one first."""
    result = answer.result
    found: list[Link] = []
    if isinstance(result, Runout):
        found = _after_runout(result, inputs, typed)
    elif isinstance(result, Shares):
        found = _after_half_turn(result, inputs, typed)
    elif isinstance(result, Mating):
        found = [Link("Bolt it so, and read the runout again", sheet_link("runout", typed, **_limit(inputs)))]
    elif isinstance(result, Effect):
        found = [Link("Cure the runout: whose is it?", sheet_link("half-turn", typed))]
    elif isinstance(result, ShaftCheck) and result.half_critical_in_use:
        found = [Link("Look at the joint angles", sheet_link("angles", typed))]
    if isinstance(result, Balance | CircleBalance) or _angles_faulty(result) or sheet == "mating":
        number = typed.get("job", "")
        after = f"/?job={number}&role=after" if job is not None else "/?role=after"
        found.append(Link("When it is done: drive again, same road, tires and load", after))
    return tuple(found)


def _after_runout(result: Runout, inputs: Mapping[str, Any], typed: Mapping[str, str]) -> list[Link]:
    first_order = typed.get("order", "1") in ("", "1", "1.0")
    if result.verdict == "within":
        links = [
            Link(f"Read the {p.label} too", sheet_link("runout", typed, place=p.key)) for p in _others(result)
        ]
        if first_order and typed.get("part", "") in _SHAFT_PARTS:
            links.append(Link("All places true, and it still shakes: balance", sheet_link("balance", typed)))
        return links
    if result.suspect is not None:
        return []
    first = {"m1_index": "0", "m1_text": inputs.get("readings") or "", **_limit(inputs)}
    links = [
        Link(
            "Whose is it? Half-turn test with this as the first mounting",
            sheet_link("half-turn", typed, **first),
        )
    ]
    tir = f"{result.tir_m * 1e3:.3f} mm"
    links.append(Link("How hard does it pull at speed?", sheet_link("effect", typed, runout=tir)))
    return links


def _others(result: Runout) -> list[Any]:
    """The other places along a shaft's tube, where one of them was read."""
    if result.place is None or not result.place.key.startswith("tube_"):
        return []
    return [p for p in PLACES if p.key.startswith("tube_") and p.key != result.place.key]


def _after_half_turn(shares: Shares, inputs: Mapping[str, Any], typed: Mapping[str, str]) -> list[Link]:
    if shares.contradiction:
        return []
    fields = dict(_limit(inputs))
    for k, mount in enumerate(inputs.get("mount", ())[:4], 1):
        index, _, text = mount.partition("=")
        fields |= {f"m{k}_index": index.strip(), f"m{k}_text": text.strip()}
    fields |= {name: inputs[name] for name in ("counted_on", "fixed_name", "moved_name") if inputs.get(name)}
    return [Link("Which way to bolt them", sheet_link("mating", typed, **fields))]


def _limit(inputs: Mapping[str, Any]) -> dict[str, str]:
    return {"limit": inputs["limit"]} if inputs.get("limit") else {}


def _angles_faulty(result: object) -> bool:
    return (
        isinstance(result, tuple)
        and bool(result)
        and isinstance(result[0], JointCheck)
        and bool(result[0].faults)
    )
