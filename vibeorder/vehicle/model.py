"""A vehicle as the diagnosis sees it: what turns, how fast, and how well that is known."""

from dataclasses import dataclass
from typing import Literal

__all__ = ["Accessory", "Layout", "Limit", "RollingTire", "Rotor", "Vehicle"]

Layout = Literal["rwd", "fwd", "4wd", "awd", "ev"]


@dataclass(frozen=True, slots=True)
class RollingTire:
    """A tire by what it rolls: `circumference_m` per turn, with its relative standard error.

    given: the text it came from ("275/65R18", "circumference 2410 mm measured", "655 revs per mile").
    note: what was assumed about it, one plain sentence, or ''. commercial: of a bus or a medium or heavy truck.
    """

    circumference_m: float
    relative_se: float
    given: str
    note: str = ""
    commercial: bool = False


@dataclass(frozen=True, slots=True)
class Accessory:
    """A belt-driven part: turns per engine turn (crankshaft pulley diameter / its own)."""

    name: str
    ratio: float


@dataclass(frozen=True, slots=True)
class Limit:
    """A runout limit out of the maker's service information, in metres, as the user wrote it."""

    place: str
    limit_m: float
    given: str


@dataclass(frozen=True, slots=True)
class Vehicle:
    """Everything of one vehicle that decides a rotation rate.

    axle_ratio: driveshaft turns per wheel turn (None where nothing like it exists, e.g. an EV).
        For fwd it is the final drive: engine = wheel x axle_ratio x gear.
    final_drive: where the engine reaches the wheels through another ratio than the driveshaft's (a crosswise
        engine with all-wheel drive), else None.
    gears: engine turns per driveshaft turn, first gear first; empty where not known.
    low_range: transfer-case low range ratio, or None.
    motor_ratio: motor turns per wheel turn of an electric drive.
    shaft_pieces: 1 to 3 of the (rear) driveshaft, None where not stated.
    cylinders: 0 for an electric vehicle, or where not known. strokes: 2 or 4.
    tire is the front one, and the wheel that every "per wheel turn" of a `Rotor` means.
    rear_tire is None unless the sizes are staggered.
    half_shafts: True where wheels are driven through jointed half-shafts (not a solid axle).
    notes: which parts cannot be judged from this profile, and what was assumed; shown to the user as is.
    """

    name: str
    layout: Layout
    tire: RollingTire
    rear_tire: RollingTire | None = None
    axle_ratio: float | None = None
    front_axle_ratio: float | None = None
    gears: tuple[float, ...] = ()
    low_range: float | None = None
    motor_ratio: float | None = None
    cylinders: int = 0
    strokes: int = 4
    shaft_pieces: int | None = None
    accessories: tuple[Accessory, ...] = ()
    limits: tuple[Limit, ...] = ()
    source: str = ""
    final_drive: float | None = None
    half_shafts: bool = False
    notes: tuple[str, ...] = ()

    @property
    def has_engine(self) -> bool:
        """Whether a combustion engine turns in it, even where its cylinders are not known."""
        return self.cylinders > 0 or self.layout != "ev"

    @property
    def rear_per_front(self) -> float:
        """Rear wheel turns per front wheel turn: 1 unless the tire sizes are staggered."""
        if self.rear_tire is None:
            return 1.0
        return self.tire.circumference_m / self.rear_tire.circumference_m

    @property
    def engine_per_wheel(self) -> float | None:
        """Engine turns per (front) wheel turn in a 1.00 gear, converter locked; None where not known.

        Rear-drive layouts with staggered tires are driven at the rear wheel's rate.
        """
        ratio = self.final_drive or self.axle_ratio
        if not self.has_engine or ratio is None:
            return None
        front_driven = self.layout == "fwd" or self.final_drive is not None
        return ratio if front_driven else ratio * self.rear_per_front


@dataclass(frozen=True, slots=True)
class Rotor:
    """One part that turns. Its rate is `ratio` x the rate of its basis.

    part: "tire_wheel", "driveshaft", "front_driveshaft", "engine", "motor", "half_shaft", "accessory:NAME".
    basis: "wheel" (ratio = turns per wheel turn) or "engine" (ratio = turns per engine turn).
    relative_se: how far the ratio itself may be off (belt slip; 0 for gears).
    """

    part: str
    label: str
    basis: Literal["wheel", "engine"]
    ratio: float
    relative_se: float = 0.0
