"""What is said of every vehicle: cautions, which wheel it is, what torque changes, how a frequency feels; each once.

All of this file is common practice, no source; the vehicle maker's service information decides.
"""

from dataclasses import dataclass

__all__ = [
    "CAUTIONS",
    "COSTS_NOTHING_FIRST",
    "FREE_CHECKS",
    "WHICH_WHEEL",
    "FreeCheck",
    "feel_of",
    "lives_on_torque",
    "order_text",
    "part_text",
]

COSTS_NOTHING_FIRST = (
    "First what costs nothing: tire pressure and condition, mud, snow or a lost weight at a wheel, a bent "
    "rim, loose fasteners, a mount or the exhaust touching; then the same tires, load and road for the "
    "second drive."
)


@dataclass(frozen=True, slots=True)
class FreeCheck:
    """One thing that costs nothing to look at before anything is measured. key: in a job's record."""

    key: str
    words: str
    how: str


FREE_CHECKS: tuple[FreeCheck, ...] = (
    FreeCheck(
        "tires",
        "Tire pressures and condition",
        "cold pressures as on the placard; bulges, flat spots, cupping",
    ),
    FreeCheck(
        "dirt",
        "Mud, snow or a lost weight",
        "inside of all wheels, driveshaft tube; bare patch where one was",
    ),
    FreeCheck("rim", "Bent rim", "spin each wheel by hand, watch both flanges"),
    FreeCheck("fasteners", "Loose fasteners", "wheel nuts, shaft flanges and straps, axle and steering"),
    FreeCheck("mounts", "Mounts and exhaust", "engine, gearbox and exhaust: torn, soft, touching the body"),
    FreeCheck("alike", "Same tires and load for the second drive", "else the two drives do not compare"),
)
"""What COSTS_NOTHING_FIRST says, one by one, to be ticked."""
WHICH_WHEEL = (
    "A spectrum cannot tell a left tire from a right one, nor front from rear where all sizes are alike: "
    "swap the wheels front to rear and drive again; if the shake moves between steering wheel and seat, it "
    "went with them. Then swap them side to side, one pair at a time (not with directional or staggered "
    "tires)."
)
CAUTIONS: tuple[str, ...] = (
    "One person drives, a second one records and watches the phone; fasten the phone so that it cannot fly.",
    "Running wheels and shafts on a lift kill: nobody within reach of a turning part, no loose clothing, "
    "wheels secured or off with the nuts refitted, never above the speed that the maker allows.",
    "On a lift the axles must be supported at ride height: hanging axles put the joints at angles that make "
    "a shake of their own.",
    "One-use bolts, nuts, straps and crush sleeves are replaced, and pinion preload set anew after a flange "
    "is off.",
    "The maker's service information and whoever is licensed for the work decide; this is a pointer, not a "
    "verdict.",
)

JOINT_LINES = frozenset({("driveshaft", 2.0), ("front_driveshaft", 2.0), ("half_shaft", 3.0)})
"""(part, order) of a universal joint at an angle, and of a three-roller joint: they shake by the torque they carry."""

# Upper edge of each band in Hz, and what it is called.
_FELT = ((5.0, "a slow wobble"), (20.0, "a shake"), (50.0, "roughness"), (100.0, "a buzz"))
_FELT_ABOVE = "a tingling"
_HEARD_FROM_HZ = 20.0
_HEARD = ((60.0, "a boom"), (120.0, "a moan"), (300.0, "a howl"))
_HEARD_ABOVE = "a whine"


def lives_on_torque(part: str, order: float) -> bool:
    """Whether a source's line comes and goes with the throttle: every order of an engine, and joints at an angle.

    Not an accessory's, nor an electric motor's first order, a rotor's own shake: load changes those too little to
    tell by. common practice, no source.
    """
    return part == "engine" or (part, order) in JOINT_LINES


def feel_of(frequency_hz: float) -> str:
    """How a vibration of this frequency is usually felt and heard, in the words of the trade.

    Shake 5 to 20 Hz, roughness to 50, buzz to 100, tingling above; boom 20 to 60 Hz, moan to 120,
    howl to 300, whine above. common practice, no source.

    >>> feel_of(43.0)
    'felt as roughness, heard as a boom'
    """
    felt = next((word for edge_hz, word in _FELT if frequency_hz < edge_hz), _FELT_ABOVE)
    if frequency_hz < _HEARD_FROM_HZ:
        return f"felt as {felt}, too low to be heard"
    heard = next((word for edge_hz, word in _HEARD if frequency_hz < edge_hz), _HEARD_ABOVE)
    return f"felt as {felt}, heard as {heard}"


def part_text(part: str) -> str:
    """A part as the trade says it.

    >>> part_text("accessory:water pump"), part_text("tire_wheel")
    ('water pump', 'tire/wheel')
    """
    if part.startswith("accessory:"):
        return part.removeprefix("accessory:")
    special = {"tire_wheel": "tire/wheel", "half_shaft": "half-shaft"}
    return special.get(part, part.replace("_", " "))


def order_text(order: float) -> str:
    """An order as the trade writes it: "1x", "0.5x"."""
    return f"{order:.3g}x"
