"""Vehicles of the outside world: what turns how fast, worked out from tire, axle and gears, and the file a user types.

Rolling: a radial tire rolls about 0.964 to 0.978 of its free circumference (two published pairs, for 31x10.50R15
and 245/35R17); worn tread takes up to 1.8% off (6 mm of a radius of 340 mm, arithmetic); one car in ten runs on
another size than the one typed in, 1 to 3% larger (a judgement, no source). Left and right differ by tenths
of a percent (pressure and wear; a judgement).
"""

from dataclasses import dataclass
from math import pi

import numpy as np

__all__ = ["Car", "draw_car", "profile_text"]

INCH_MM = 25.4
MILE_M = 1609.344
RIM_OF = {"185": (14, 15), "195": (15, 16), "205": (15, 16, 17), "215": (15, 16, 17), "225": (16, 17, 18)}
NAMES = ("blue loaner", "parts runner", "hill wagon", "yard truck", "Mrs. Q's car", "fleet 7", "the old one")


@dataclass(frozen=True, slots=True)
class Car:
    """One vehicle. circumference_m: true roll of front and rear; wheel_scale: of FL, FR, RL, RR around that.

    through: engine turns per turn of what `gears` gives times a wheel; shaft: rear shaft turns per wheel turn (0:
    none); front_shaft, motor likewise. gears: ratios, first gear first. lock_gear: converter locked from it up.
    strength: greatest acceleration in m/s^2. tire_lines: how the user states the tire, rows of TOML.
    """

    name: str
    layout: str
    circumference_m: tuple[float, float]
    wheel_scale: tuple[float, float, float, float]
    tire_lines: tuple[str, ...]
    axle: float
    through: float
    shaft: float
    front_shaft: float
    motor: float
    gears: tuple[float, ...]
    automatic: bool
    lock_gear: int
    cylinders: int
    accessories: tuple[tuple[str, float], ...]
    pieces: int
    independent: bool
    strength: float
    wheelbase_m: float
    idle_hz: float
    crosswise: bool

    def driven(self) -> tuple[int, ...]:
        """Indices of the driven wheels, of FL, FR, RL, RR."""
        return {"fwd": (0, 1), "rwd": (2, 3), "ev": (2, 3)}.get(self.layout, (0, 1, 2, 3))

    def wheel_circumferences(self) -> tuple[float, float, float, float]:
        """True roll of FL, FR, RL, RR in m."""
        front, rear = self.circumference_m
        a, b, c, d = self.wheel_scale
        return front * a, front * b, rear * c, rear * d

    def driven_circumference(self) -> float:
        """What the differential averages: metres per turn of the driven axle."""
        around = self.wheel_circumferences()
        return 1 / float(np.mean([1 / around[i] for i in self.driven()]))

    def half_shafts(self) -> bool:
        """Whether there are half-shafts with joints anywhere."""
        return self.layout != "rwd" or self.independent


def _metric(rng: np.random.Generator, heavy: bool) -> tuple[str, float]:
    """A metric size and its free diameter in mm: rim + twice the section height."""
    if heavy:
        width, aspect, rim = (
            rng.choice([235, 245, 265, 275, 285]),
            rng.choice([60, 65, 70, 75]),
            rng.choice([16, 17, 18, 20]),
        )
        if rim >= 18:
            aspect = rng.choice([55, 60, 65])
    else:
        key = str(rng.choice(list(RIM_OF)))
        width, rim = int(key), rng.choice(RIM_OF[key])
        aspect = {14: 70, 15: 65, 16: 60, 17: 50, 18: 45}[int(rim)] + int(rng.choice([-5, 0, 0]))
    diameter = rim * INCH_MM + 2 * width * aspect / 100
    head = str(rng.choice(["", "P", "LT"] if heavy else ["", "", "P"]))
    tail = str(rng.choice(["", " 98H", " 102T", " (104V)"])) if head != "LT" else ""
    return f"{head}{width}/{aspect}R{rim}{tail}", float(diameter)


def _odd_size(rng: np.random.Generator) -> tuple[str, float]:
    """Sizes in the other common forms, with the free diameter their numbers mean."""
    forms = [
        ("31x10.50R15LT", 31 * INCH_MM),
        ("33x12.50R17LT", 33 * INCH_MM),
        ("185R14C", 14 * INCH_MM + 2 * 185 * 0.80),
        ("7.50R16", 16 * INCH_MM + 2 * 7.5 * INCH_MM * 0.92),
        ("195/70R15C", 15 * INCH_MM + 2 * 195 * 0.70),
        ("225/45ZR17 (94Y)", 17 * INCH_MM + 2 * 225 * 0.45),
    ]
    text, diameter = forms[int(rng.integers(len(forms)))]
    return text, float(diameter)


def _draw_tires(rng: np.random.Generator, heavy: bool) -> tuple[tuple[float, float], tuple[str, ...]]:
    """True circumference front and rear in m, and how the user states it."""
    size, diameter = _odd_size(rng) if heavy and rng.random() < 0.2 else _metric(rng, heavy)
    roll = pi * diameter / 1000 * rng.uniform(0.964, 0.978)
    worn = 1 - rng.uniform(0, 0.018)
    other = 1 + rng.uniform(0.01, 0.03) if rng.random() < 0.1 else 1.0
    true = roll * worn * other
    form = rng.choice(["size", "diameter", "revs", "around", "staggered"], p=[0.62, 0.1, 0.1, 0.1, 0.08])
    if form == "size":
        return (true, true), (f'size = "{size}"',)
    if form == "diameter":
        text = (
            f"diameter_mm = {diameter:.0f}"
            if rng.random() < 0.5
            else f'diameter = "{diameter / INCH_MM:.1f} in"'
        )
        return (true, true), (text,)
    if form == "revs":  # published for the new tire
        each = rng.random() < 0.5
        return (true, true), (
            f"revs_per_mile = {MILE_M / roll:.0f}" if each else f"revs_per_km = {1000 / roll:.0f}",
        )
    if form == "around":
        measured = true * (1 + 0.003 * rng.standard_normal())
        text = (
            f"circumference_mm = {measured * 1000:.0f}"
            if rng.random() < 0.5
            else f'circumference = "{measured / 0.0254:.1f} in"'
        )
        return (true, true), (text,)
    rear_size, rear_diameter = "255/40R18", 18 * INCH_MM + 2 * 255 * 0.40
    front_size, front_diameter = "225/45R18", 18 * INCH_MM + 2 * 225 * 0.45
    share = true / (pi * diameter / 1000)
    return (
        (pi * front_diameter / 1000 * share, pi * rear_diameter / 1000 * share),
        (f'front_size = "{front_size}"', f'rear_size = "{rear_size}"'),
    )


def _draw_gears(rng: np.random.Generator, count: int, first: float, top: float) -> tuple[float, ...]:
    """Falling ratios whose steps grow smaller upward, with a little disorder; some gearboxes have a direct gear."""
    steps = np.linspace(1.35, 0.65, count - 1) * (1 + 0.06 * rng.standard_normal(count - 1))
    logs = np.log(first) + np.concatenate([[0], np.cumsum(steps)]) / steps.sum() * np.log(top / first)
    gears = np.round(np.exp(logs), 2)
    if rng.random() < 0.5:
        gears[np.argmin(np.abs(gears - 1))] = 1.0
    return (
        tuple(float(g) for g in gears)
        if np.all(np.diff(gears) < -0.03)
        else tuple(np.round(np.geomspace(first, top, count), 2).tolist())
    )


def _draw_accessories(rng: np.random.Generator) -> tuple[tuple[str, float], ...]:
    """Belt-driven parts with the ratios of their pulleys; some users list none."""
    names = {
        "alternator": (2.3, 3.1),
        "water pump": (0.9, 1.35),
        "power steering pump": (1.0, 1.5),
        "compressor": (1.1, 1.6),
    }
    if rng.random() < 0.35:
        return ()
    chosen = rng.permutation(list(names))[: int(rng.integers(1, 4))]
    return tuple((str(n), round(float(rng.uniform(*names[str(n)])), 2)) for n in chosen)


def draw_car(rng: np.random.Generator) -> Car:
    """A vehicle of any layout. Engine speed at 100 km/h in top gear 1600 to 2900 rpm (a judgement)."""
    layout = str(rng.choice(["rwd", "fwd", "4wd", "awd", "ev"], p=[0.3, 0.22, 0.17, 0.16, 0.15]))
    heavy = layout in ("4wd",) or (layout == "rwd" and rng.random() < 0.6)
    around, tire_lines = _draw_tires(rng, heavy)
    electric, crosswise = layout == "ev", layout == "fwd" or (layout == "awd" and rng.random() < 0.6)
    automatic = electric or rng.random() < 0.72
    axle = round(float(rng.uniform(3.0, 4.3) if not heavy else rng.uniform(3.08, 4.56)), 2)
    front_shaft = axle if layout == "4wd" or (layout == "awd" and not crosswise) else 0.0
    final = axle
    if layout == "awd" and crosswise:
        final, axle = round(float(rng.uniform(3.2, 4.3)), 2), round(float(rng.uniform(2.3, 3.1)), 2)
    motor = round(float(rng.uniform(7.0, 12.0)), 2) if electric else 0.0
    top_hz = rng.uniform(1600, 2900) / 60
    top = float(np.clip(top_hz / (27.78 / around[1] * final), 0.55, 0.98))
    count = int(rng.choice([4, 5, 6, 8, 9, 10]) if automatic else rng.choice([5, 6]))
    gears = (
        ()
        if electric
        else _draw_gears(
            rng, count, float(rng.uniform(2.7, 3.4) if count < 6 else rng.uniform(3.4, 4.8)), top
        )
    )
    cylinders = (
        0
        if electric
        else int(rng.choice([3, 4, 5, 6, 8, 10, 12], p=[0.1, 0.34, 0.06, 0.24, 0.2, 0.03, 0.03]))
    )
    independent = layout in ("fwd", "awd", "ev") or bool(rng.random() < (0.15 if heavy else 0.6))
    wheel_scale = 1 + rng.choice([0.0005, 0.002, 0.004]) * rng.standard_normal(4)
    return Car(
        name=str(rng.choice(NAMES)), layout=layout, circumference_m=around,
        wheel_scale=(float(wheel_scale[0]), float(wheel_scale[1]), float(wheel_scale[2]), float(wheel_scale[3])),
        tire_lines=tire_lines, axle=0.0 if electric else axle, through=0.0 if electric else final,
        shaft=0.0 if layout in ("fwd", "ev") else axle, front_shaft=front_shaft, motor=motor, gears=gears,
        automatic=automatic, lock_gear=int(rng.integers(2, 5)), cylinders=cylinders,
        accessories=() if electric else _draw_accessories(rng),
        pieces=int(rng.choice([1, 2])), independent=independent,
        strength=float(rng.uniform(1.6, 3.2)), wheelbase_m=float(rng.uniform(2.45, 3.7)),
        idle_hz=float(rng.uniform(620, 850) / 60), crosswise=crosswise,
    )  # fmt: skip


def profile_text(car: Car, rng: np.random.Generator) -> str:
    """The vehicle as its owner types it in, by the documented keys; some keys that may be left out are."""
    rows = ["[vehicle]", f'name = "{car.name}"', f'layout = "{car.layout}"', "", "[tire]", *car.tire_lines]
    if car.layout == "ev":
        rows += ["", "[motor]", f"ratio = {car.motor}"]
        return "\n".join(rows) + "\n"
    rows += ["", "[axle]", f"ratio = {car.axle}"]
    if car.layout == "rwd" or (car.layout == "4wd" and not car.independent):
        rows.append(f"independent = {'true' if car.independent else 'false'}")
    rows += ["", "[transmission]", f"gears = [{', '.join(f'{g:.2f}' for g in car.gears)}]"]
    if car.layout == "awd" and car.crosswise:
        rows.append(f"final_drive = {car.through}")
    if car.shaft and rng.random() < 0.7:
        rows += ["", "[driveshaft]", f"pieces = {car.pieces}"]
    rows += ["", "[engine]", f"cylinders = {car.cylinders}"]
    for name, ratio in car.accessories:
        rows += ["", "[[accessory]]", f'name = "{name}"', f"ratio = {ratio}"]
    return "\n".join(rows) + "\n"
