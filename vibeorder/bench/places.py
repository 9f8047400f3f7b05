"""Where a dial indicator is put, and what a reading above the limit means there.

Adding a place is one entry in PLACES. Every limit here is common practice, no source: they vary widely
from vehicle to vehicle, and the maker's service information decides.
"""

from dataclasses import dataclass
from typing import Literal

from vibeorder.errors import VibeorderError

__all__ = ["PLACES", "Kind", "Place", "find_place"]

Kind = Literal["radial", "lateral"]
_THOU = 2.54e-5


@dataclass(frozen=True, slots=True)
class Place:
    """usual_limit_m: marked default, common practice, no source; usual_range: what is seen in practice.

    also: other names of the place in a vehicle profile's [limits].
    """

    key: str
    label: str
    kind: Kind
    usual_limit_m: float
    usual_range: str
    above: str
    next_step: str
    cautions: tuple[str, ...] = ()
    also: tuple[str, ...] = ()


_STAND = (
    "Fix the stand to something that does not turn or flex, set the stem square to the surface, preload it."
)
_CLEAN = "Clean rust, paint and nicks off the track the stem runs on before reading."
_SEAL = (
    "Where the pinion nut is disturbed: mark nut, flange and pinion first, and replace a crush sleeve and "
    "one-use nuts."
)
_STRAPS = "Mark shaft and flange before unbolting; replace one-use straps and bolts."

PLACES = (
    Place(
        "flange_face",
        "pinion flange face",
        "lateral",
        4 * _THOU,
        "4 thou (0.10 mm) on some, 10 thou (0.25 mm) on others",
        "the flange face is not square to the pinion: the shaft's end swings in a circle",
        "Turn the flange on the pinion and read again; if the high spot stays with the flange, replace it.",
        (_CLEAN, _STAND, _SEAL),
        ("pinion_flange", "companion_flange"),
    ),
    Place(
        "pilot_bore",
        "pinion flange pilot bore",
        "radial",
        4 * _THOU,
        "4 thou (0.10 mm) on some, 10 thou (0.25 mm) on others",
        "the bore that centers the shaft runs off the pinion's axis: the whole shaft end is off center",
        "Do the half-turn test; match-mount or replace the flange.",
        ("Use a lever adapter that reaches the bore, and give its ratio.", _CLEAN, _SEAL),
        ("pinion_flange", "companion_flange", "pinion_flange_bore"),
    ),
    Place(
        "yoke_fixture",
        "pinion yoke, in a fixture",
        "radial",
        4 * _THOU,
        "4 to 10 thou (0.10 to 0.25 mm)",
        "the yoke's bearing bores are off the pinion's axis",
        "Turn the yoke on the pinion half a turn and read again; replace the yoke that keeps its high spot.",
        ("Turn the fixture half round in the yoke once: a reading that changes is the fixture's.", _SEAL),
        ("pinion_yoke",),
    ),
    Place(
        "yoke_shaft",
        "pinion yoke, on the shaft",
        "radial",
        10 * _THOU,
        "about 10 thou (0.25 mm)",
        "yoke and shaft together are off center: which of the two is not yet known",
        "Do the half-turn test: unbolt the shaft, turn it half a turn, read again.",
        (_STRAPS,),
        ("pinion_yoke",),
    ),
    Place(
        "tube_front",
        "shaft tube, front",
        "radial",
        20 * _THOU,
        "16 to 40 thou (0.4 to 1.0 mm), ends tighter than the middle",
        "the front end is off center: slip yoke, weld, or what it is bolted to",
        "Do the half-turn test at the front; look for wear in slip yoke and bushing.",
        ("Read where the tube is round, clear of welds and balance weights.", _CLEAN),
        ("driveshaft_front", "driveshaft"),
    ),
    Place(
        "tube_middle",
        "shaft tube, middle",
        "radial",
        30 * _THOU,
        "30 to 40 thou (0.75 to 1.0 mm)",
        "the tube is bent or dented",
        "Read front and rear too: ends good, middle bad: replace or straighten the shaft, do not balance it.",
        ("Look for dents, undercoating and mud first.", _CLEAN),
        ("driveshaft_middle", "driveshaft"),
    ),
    Place(
        "tube_rear",
        "shaft tube, rear",
        "radial",
        20 * _THOU,
        "16 to 40 thou (0.4 to 1.0 mm), ends tighter than the middle",
        "the rear end is off center: weld, joint, or the pinion flange it is bolted to",
        "Do the half-turn test at the rear, then read the pinion flange.",
        ("Read where the tube is round, clear of welds and balance weights.", _CLEAN, _STRAPS),
        ("driveshaft_rear", "driveshaft"),
    ),
    Place(
        "transmission_flange",
        "transmission output flange",
        "radial",
        4 * _THOU,
        "4 to 10 thou (0.10 to 0.25 mm)",
        "the output flange or the output shaft is off center, or its bearing or bushing is worn",
        "Push the flange by hand: play means a bearing; no play, turn the shaft half round and read again.",
        (_STRAPS, _CLEAN),
    ),
    Place(
        "transfer_case_flange",
        "transfer-case output flange",
        "radial",
        4 * _THOU,
        "4 to 10 thou (0.10 to 0.25 mm)",
        "the output flange is off center or the output bearing is worn",
        "Check play at the output first, then turn the shaft half round and read again; read front and rear.",
        (_STRAPS, _CLEAN),
    ),
    Place(
        "wheel_radial",
        "wheel, radial",
        "radial",
        0.8e-3,
        "steel 0.5 to 0.8 mm (20 to 31 thou), aluminum 0.3 to 0.5 mm (12 to 20 thou)",
        "the rim is out of round, or not centered on the hub",
        "Read the hub; seat the wheel on another stud position and read again; replace a rim that keeps it.",
        ("Read both bead seats, tire off for a verdict on the rim.",),
    ),
    Place(
        "wheel_lateral",
        "wheel, lateral",
        "lateral",
        0.8e-3,
        "steel 0.5 to 0.8 mm (20 to 31 thou), aluminum 0.3 to 0.5 mm (12 to 20 thou)",
        "the rim is bent sideways, or its face does not sit flat on the hub",
        "Clean the mounting face, read the hub face, then the rim again.",
        ("Rust between hub and wheel reads as wobble.",),
    ),
    Place(
        "tire_radial",
        "tire on the vehicle, radial",
        "radial",
        60 * _THOU,
        "24 to 60 thou (0.6 to 1.5 mm)",
        "tire and wheel together are out of round",
        "Read the wheel too; turn the tire's high spot to the wheel's low spot; else replace the worse one.",
        (
            "Drive it warm first: flat spots from parking read as runout.",
            "Wrap tape round the tread for the stem.",
        ),
    ),
    Place(
        "tire_lateral",
        "tire on the vehicle, lateral",
        "lateral",
        60 * _THOU,
        "24 to 60 thou (0.6 to 1.5 mm)",
        "the tire wobbles sideways: bead not seated, rim bent, or tire faulty",
        "Check the bead line all round, read the wheel's lateral runout, then turn the tire on the wheel.",
        ("Read on the smooth ring of the sidewall, off the lettering.",),
    ),
    Place(
        "hub_face",
        "hub face",
        "lateral",
        2 * _THOU,
        "2 to 4 thou (0.05 to 0.10 mm)",
        "the hub face is not square: every wheel on it wobbles",
        "Check bearing play; clean the face and read again; replace the hub.",
        (_CLEAN,),
    ),
    Place(
        "hub_pilot",
        "hub pilot",
        "radial",
        4 * _THOU,
        "2 to 10 thou (0.05 to 0.25 mm)",
        "the hub centers the wheel off its axis",
        "Check bearing play, then replace the hub; read the wheel on the new hub.",
        (_CLEAN,),
    ),
)


def find_place(key: str) -> Place:
    """The place of that key; "flange face" and "flange-face" find "flange_face"."""
    wanted = key.strip().lower().replace(" ", "_").replace("-", "_")
    for place in PLACES:
        if place.key == wanted:
            return place
    raise VibeorderError(f"place {key!r} is not known; one of: {', '.join(p.key for p in PLACES)}")
