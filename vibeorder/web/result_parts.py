"""Pieces of the result page made from a recording's view: pictures with their letters, and what to check first."""

from collections.abc import Mapping
from typing import Any

from vibeorder.diagnosis.advice import LIKELY
from vibeorder.vehicle import Vehicle
from vibeorder.web.draw.ordermap import ordermap_svg
from vibeorder.web.draw.signs import sign_svg
from vibeorder.web.draw.spectrum import spectrum_svg
from vibeorder.web.to_bench import bench_link, steps_for
from vibeorder.web.view import MAP_DAY, MAP_NIGHT

__all__ = ["add_steps", "drawn", "first_check"]


def drawn(view: Mapping[str, Any], where: str, key: str = "") -> dict[str, Any]:
    """Spectrum and order map, each for wide and for narrow screens, and what their letters mean.

    where: address of the recording's files. key: tells these drawings from others on the page.
    """
    picture = view["picture"]
    maps = (f"{where}/{MAP_DAY}", f"{where}/{MAP_NIGHT}")
    return {
        "key": key,
        "spectra": [spectrum_svg(picture, wide=wide, key=key) for wide in (True, False)],
        "maps": [ordermap_svg(picture, *maps, wide=wide, key=key) for wide in (True, False)],
        "legend": _legend(picture),
    }


def add_steps(view: dict[str, Any], name: str, number: int, vehicle: Vehicle | None) -> None:
    """The measuring sheets of each suspect, as buttons."""
    for row in view["rows"]:
        for one in row["members"]:
            one["steps"] = [
                {
                    "words": step.words,
                    "sheet": step.sheet,
                    "href": bench_link(step, one["part"], one["order"], name, number, vehicle),
                }
                for step in steps_for(one["part"], one["order"])
            ]


def first_check(view: Mapping[str, Any]) -> list[dict[str, Any]]:
    """What to check first: all that the recording cannot tell apart, since the first of them may not be it.

    Each with its label and facts, and its sheets where they are warranted already; none where it is not sure.
    """
    leading = view["rows"][0]
    if leading["probability"] < LIKELY:
        return []
    members = leading["members"]
    warranted = [_warranted(one["steps"], view) for one in members]
    first = next((own for one, own in zip(members, warranted, strict=True) if one["steps"]), [])
    return [{**one, "steps": own if first else []} for one, own in zip(members, warranted, strict=True)]


def _warranted(steps: list[dict[str, Any]], view: Mapping[str, Any]) -> list[dict[str, Any]]:
    """A suspect's sheets, unless they begin with a runout check that is not warranted."""
    return [] if steps and steps[0]["sheet"] == "runout" and not view["runout"]["warranted"] else steps


def _legend(picture: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Every letter and number of the pictures with its sign and sentence."""
    lines = [
        {"letter": one["letter"], "sign": sign_svg(one["part"], filled=one["seen"]), "text": one["text"]}
        for one in picture["marks"]
    ]
    known = {one["letter"] for one in lines}
    lines += [
        {
            "letter": one["letter"],
            "sign": sign_svg(one["part"]),
            "text": f"{one['name']}: its rate, in the map only.",
        }
        for one in picture["map"]["tracks"]
        if one["letter"] not in known and any(hz is not None and hz <= picture["top_hz"] for hz in one["hz"])
    ]
    lines += [{"letter": str(one["number"]), "sign": "", "text": one["text"]} for one in picture["others"]]
    return lines
