"""The sources that may be to blame in one vehicle, each with its rate: the catalogue joined with the rotors."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from vibeorder.diagnosis.amplitudes import HealthyPrior
from vibeorder.recording.model import Trace
from vibeorder.speed.given import SpeedGiven
from vibeorder.vehicle import Source, Vehicle, firing_order, rotors, sources_of

__all__ = [
    "OVERTONE_TIMES",
    "Candidate",
    "candidates_of",
    "in_sound",
    "overtones",
    "read_beside",
    "runout_places",
    "upper_orders",
]

FIRING_IN_SOUND = (0.95, 0.12, 1.0)
"""How often firing is heard in a vehicle with nothing wrong, how loud, and the sd of its ln: intake and exhaust speak
through the air (common practice, no source; on the scale of `evened`, where a complaint begins near 0.08)."""

OVERTONE_TIMES = (2.0, 3.0, 4.0, 5.0, 6.0)
OVERTONE_PRESENCE = 0.5
"""Multiples of every line that are looked for in sound, and how often one is heard beside a line that is there: the
same for every part, or a comb would be the engine's only because nothing else is asked for its upper lines, and as far
up as a comb may reach: a name that reads one line more of the same comb than the right one wins by that line."""

UPPER = {
    "tire_wheel": ((5.0, 0.25, 0.005), (6.0, 0.2, 0.004)),
    "half_shaft": ((6.0, 0.15, 0.003), (9.0, 0.1, 0.002)),
    "motor": ((2.0, 0.2, 0.004), (3.0, 0.1, 0.003)),
    "accessory": ((2.0, 0.15, 0.003), (3.0, 0.1, 0.002)),
    "driveshaft": ((3.0, 0.15, 0.003), (4.0, 0.2, 0.003)),
    "front_driveshaft": ((3.0, 0.15, 0.003), (4.0, 0.2, 0.003)),
    "engine": ((2.5, 0.15, 0.003), (3.0, 0.2, 0.004), (3.5, 0.1, 0.003), (4.0, 0.3, 0.005)),
}
FIRING_AGAIN = ((2.0, 0.5, 0.006), (3.0, 0.3, 0.004))
"""Orders in motion that the catalogue has not, for nobody names them as a fault: how often a sound vehicle shows each,
and how strong it then is in m/s^2; last two and three times firing (common practice, no source). Were they not looked
for, a name that makes a catalogued order of one would win by it: half the engine's speed turns 3x and 4x into 1.5x and
2x, and half orders of the engine take up a joint's 3x with its 6x and 9x."""

WITH_A_SPEED, WITH_A_LOG = ("half_shaft",), ("half_shaft", "accessory")
"""Parts whose upper orders are read where a speed is known, and where it was logged: a joint's 6x and 9x are half
orders of an engine in some gear, at some slip; were a joint's read alone they would take up the double and triple of an
accessory. The others are told by their second order, and more lines would be more to mistake: at a held speed an
accessory's would be taken for another's."""

AXLE_SHAFTS = ("driveshaft", "front_driveshaft")
"""They turn with their own axle's wheels; where both axles are driven the engine turns with the mean of all four."""

LEADS_UP_TO = 3.0
"""The higher multiples are read along the courses that the others lead to: they add no course of their own."""

OVERTONE_IN_SOUND_MPS2 = 0.05
"""Median strength that a fault gives its part's higher orders in sound: what is heard is seldom a pure tone."""

ENGINE_LOUDER, ENGINE_LOG_SD = 2.0, 1.0
"""The engine's other orders in sound against those in motion, and the sd of their ln."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One source of this vehicle.

    multiple: line turns per turn of the basis (wheel or engine): order x the rotor's ratio.
    slack: relative doubt in the ratio itself (belt slip); 0 for gears. overtone_mps2: as in HealthyPrior. leads: a
    course may be made from its line. strays: as in HealthyPrior. one_axle: turns with one of two driven axles.
    """

    source: Source
    basis: Literal["wheel", "engine"]
    multiple: float
    slack: float
    rotor_label: str
    overtone_mps2: float = 0.0
    leads: bool = True
    strays: bool = True
    one_axle: bool = False

    @property
    def part(self) -> str:
        """Part name of the JSON contract."""
        return self.source.part

    @property
    def order(self) -> float:
        """Shakes per turn of the part."""
        return self.source.order

    @property
    def guides(self) -> bool:
        """Whether its line helps to draw courses of speed and gears: an upper order in motion is too seldom there."""
        return self.leads or self.strays

    @property
    def healthy(self) -> HealthyPrior:
        """Strength of this line on a vehicle with nothing wrong."""
        source = self.source
        return HealthyPrior(
            source.healthy_presence,
            source.healthy_median_mps2,
            source.healthy_log_sd,
            self.overtone_mps2,
            self.strays,
        )

    @property
    def key(self) -> tuple[str, float]:
        """(part, order), as suspects are reported."""
        return (self.source.part, self.source.order)


def candidates_of(vehicle: Vehicle, low_range: bool = False) -> tuple[Candidate, ...]:
    """Every source of the catalogue that this vehicle has, on every rotor of that part."""
    turning = rotors(vehicle, low_range)
    both_driven = vehicle.layout in ("4wd", "awd")
    return tuple(
        Candidate(
            source,
            rotor.basis,
            source.order * rotor.ratio,
            rotor.relative_se,
            rotor.label,
            one_axle=both_driven and source.part in AXLE_SHAFTS,
        )
        for source in sources_of(vehicle)
        for rotor in turning
        if rotor.part == source.part
    )


def in_sound(candidates: Sequence[Candidate], vehicle: Vehicle) -> tuple[Candidate, ...]:
    """The same as a microphone hears them: the engine speaks through the air as well."""
    firing = firing_order(vehicle) if vehicle.has_engine else None
    return tuple(
        replace(
            c,
            source=_louder(c.source, c.order == firing) if c.part == "engine" else c.source,
            overtone_mps2=OVERTONE_IN_SOUND_MPS2,
        )
        for c in candidates
    )


def upper_orders(
    candidates: Sequence[Candidate], vehicle: Vehicle, parts: Sequence[str] = tuple(UPPER)
) -> tuple[Candidate, ...]:
    """Lines in motion of these parts above those that the catalogue has: read along with them, never at fault, no
    course made from them."""
    known = {(c.part, c.order) for c in candidates}
    upper: dict[str, tuple[tuple[float, float, float], ...]] = dict(UPPER)
    fires = firing_order(vehicle) if vehicle.has_engine else None
    if fires is not None:
        firing = tuple((times * fires, p, m) for times, p, m in FIRING_AGAIN)
        upper["engine"] = (*(one for one in upper["engine"] if all(one[0] != f[0] for f in firing)), *firing)
    first = {(c.part, c.rotor_label): c for c in reversed(candidates)}
    return tuple(
        replace(
            c,
            source=replace(c.source, order=order, healthy_presence=presence, healthy_median_mps2=median),
            multiple=c.multiple / c.order * order,
            leads=False,
            strays=False,
        )
        for c in first.values()
        for order, presence, median in upper.get(c.part.partition(":")[0], ())
        if c.part.partition(":")[0] in parts and (c.part, order) not in known
    )


def read_beside(
    kind: str, candidates: Sequence[Candidate], vehicle: Vehicle, given: SpeedGiven | Trace | None
) -> tuple[Candidate, ...]:
    """What is read along with the candidates in a recording of this kind, and is never at fault. given: its speed."""
    if kind == "audio":
        return overtones(candidates, vehicle)
    if isinstance(given, Trace):
        return upper_orders(candidates, vehicle, WITH_A_LOG)
    known = given is not None and given.steady
    return upper_orders(candidates, vehicle, WITH_A_SPEED) if known else upper_orders(candidates, vehicle)


def overtones(candidates: Sequence[Candidate], vehicle: Vehicle) -> tuple[Candidate, ...]:
    """Multiples of the candidates' lines that the catalogue has not, as sound carries them: never at fault themselves.

    They show which part a comb of lines belongs to, and firing's in which gear the engine turns. candidates: as
    `in_sound` makes them.
    """
    firing = firing_order(vehicle) if vehicle.has_engine else None
    known = {(c.part, c.order, c.rotor_label) for c in candidates}
    found = []
    for c in candidates:
        for times in OVERTONE_TIMES:
            key = (c.part, c.order * times, c.rotor_label)
            if key not in known:
                known.add(key)
                found.append(_overtone(c, times, firing if c.part == "engine" else None))
    return tuple(found)


def _overtone(candidate: Candidate, times: float, firing: float | None) -> Candidate:
    """A candidate's line at so many times its order, which may be a multiple of firing whoever it is reached from."""
    own = candidate.source
    order = times * own.order
    presence, median, log_sd = (
        OVERTONE_PRESENCE * own.healthy_presence,
        own.healthy_median_mps2 / times,
        own.healthy_log_sd,
    )
    if firing is not None and order % firing == 0.0:
        presence, median, log_sd = FIRING_IN_SOUND
        median *= firing / order
    return replace(
        candidate,
        source=replace(
            own,
            order=order,
            healthy_presence=presence,
            healthy_median_mps2=median,
            healthy_log_sd=log_sd,
        ),
        multiple=times * candidate.multiple,
        leads=times <= LEADS_UP_TO,
    )


def _louder(source: Source, fires: bool) -> Source:
    presence, median, log_sd = (
        FIRING_IN_SOUND
        if fires
        else (source.healthy_presence, ENGINE_LOUDER * source.healthy_median_mps2, ENGINE_LOG_SD)
    )
    return replace(source, healthy_presence=presence, healthy_median_mps2=median, healthy_log_sd=log_sd)


def runout_places(candidates: Sequence[Candidate]) -> dict[tuple[str, float], str]:
    """Where the dial indicator goes for each part and order."""
    return {c.key: c.source.runout_where for c in candidates}
