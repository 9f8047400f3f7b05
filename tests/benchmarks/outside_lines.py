"""The shakes of the outside world: every part's orders, healthy ones on everything, and at most one fault.

A line is a phase (order x turns of its part), a strength that follows speed, load and slow chance, and a way through
suspension and floor: a complex response with modes. Levels are vector rms at the floor over the strongest third of
the seconds: what a driver complains of is what it does where it is bad. A mount's own resonance comes on top of that;
on a seat's cushion the fault has its level there.

Levels: a healthy wheel's first order of 0.02 to 0.1 m/s^2 was measured in two ordinary vehicles (see
docs/accuracy.md, real recordings); all other healthy levels, and the growth of shakes with speed and load, are
judgements without a source. Order families are common practice, no source: half orders for a weak cylinder, cylinders/2
for firing of a four-stroke, twice a turn for joint angles, three a turn for a half-shaft's three-roller joint.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from outside_drives import STEP_S, Drive, part_turns, wander, wheel_turns
from outside_vehicles import Car

__all__ = ["Fault", "Line", "draw_fault", "draw_lines", "felt_rms", "line_samples"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
FREQS = np.arange(0, 1500, 0.1)
TOP_HEALTHY, TOP_FIRING = 0.08, 0.15
OVER_HEALTHY = 2.5


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong: the part as the JSON names it, the order, the wanted rms in m/s^2, and its dependence on load."""

    part: str
    order: float
    rms: float
    under_load: float
    growth: float


@dataclass(frozen=True, slots=True)
class Line:
    """One shake: turns x order is its phase; strength on the drive's grid; response over FREQS, (n, 3) complex."""

    part: str
    order: float
    turns: Floats
    strength: Floats
    phase: float
    response: Complex
    fault: bool

    def rate(self) -> Floats:
        """Frequency in Hz on the drive's grid."""
        return np.gradient(self.turns * self.order, STEP_S)


def draw_fault(car: Car, rng: np.random.Generator) -> Fault:
    """A fault, uniform over the parts of this vehicle, then over what is usual with that part."""
    menu: dict[str, list[tuple[float, float]]] = {"tire_wheel": [(1.0, 0.6), (2.0, 0.25), (3.0, 0.15)]}
    if car.shaft:
        menu["driveshaft"] = [(1.0, 0.6), (2.0, 0.4)]
    if car.front_shaft:
        menu["front_driveshaft"] = [(1.0, 0.6), (2.0, 0.4)]
    if car.half_shafts():
        menu["half_shaft"] = [(3.0, 1.0)]
    if car.motor:
        menu["motor"] = [(1.0, 1.0)]
    if car.cylinders:
        menu["engine"] = [(0.5, 0.35), (1.0, 0.35), (car.cylinders / 2, 0.3)]
    if car.accessories:
        name = car.accessories[int(rng.integers(len(car.accessories)))][0]
        menu[f"accessory:{name}"] = [(1.0, 1.0)]
    part = str(rng.choice(list(menu)))
    orders = menu[part]
    order = float(rng.choice([o for o, _ in orders], p=[p for _, p in orders]))
    load = {"half_shaft": rng.uniform(0.8, 1), "engine": rng.uniform(0.2, 0.7)}.get(part, rng.uniform(0, 0.2))
    if part.endswith("driveshaft") and order == 2:
        load = rng.uniform(0.3, 0.9)
    growth = rng.uniform(0.0, 1.0) if part == "engine" and order != 1 else rng.uniform(1.0, 2.2)
    return Fault(part, order, float(rng.uniform(0.1, 0.6)), float(load), float(growth))


def _way(path: str, rng: np.random.Generator) -> Complex:
    """Response from a source to the floor over FREQS: a stiff share and some modes, each with a direction."""
    ranges = {
        "wheel": [(10, 15), (9, 20), (18, 40)],
        "drive": [(12, 22), (22, 60), (50, 120)],
        "power": [(7, 13), (20, 60), (40, 150)],
    }[path]
    out = (
        np.outer(np.ones(len(FREQS)), rng.standard_normal(3) * np.array([0.4, 0.6, 1.0])).astype(
            np.complex128
        )
        * 0.35
    )
    for low, high in ranges:
        if rng.random() < 0.8:
            at, damp = rng.uniform(low, high), rng.uniform(0.05, 0.2)
            mode = 2 * damp / (1 - (FREQS / at) ** 2 + 2j * damp * FREQS / at)
            way = rng.standard_normal(3) * np.array([0.5, 0.7, 1.0])
            out += np.outer(mode, way) * rng.uniform(0.3, 1.5)
    return out


def _path_of(part: str) -> str:
    if part == "tire_wheel":
        return "wheel"
    return "power" if part in ("engine", "motor") or part.startswith("accessory") else "drive"


def _felt(strength: Floats, rate: Floats, response: Complex) -> float:
    gain = np.linalg.norm(response, axis=1)
    power = (strength * np.interp(rate, FREQS, gain)) ** 2 / 2
    seconds = max(len(power) // int(1 / STEP_S), 1)
    each = np.sort(np.array([p.mean() for p in np.array_split(power, seconds)]))
    return float(np.sqrt(each[-max(seconds // 3, 1) :].mean()))


def felt_rms(line: Line) -> float:
    """Vector rms of a line at the floor over the strongest third of the seconds, m/s^2."""
    return _felt(line.strength, line.rate(), line.response)


class _Maker:
    """Builds lines of one drive; every part's orders share the part's way to the floor."""

    def __init__(self, car: Car, drive: Drive, rng: np.random.Generator) -> None:
        self.car, self.drive, self.rng = car, drive, rng
        self.ways: dict[str, Complex] = {}

    def line(
        self,
        part: str,
        order: float,
        turns: Floats,
        felt: float,
        load: float,
        growth: float,
        fault: bool = False,
    ) -> Line:
        rng, drive = self.rng, self.drive
        way = self.ways.setdefault(part, _way(_path_of(part), rng))
        rate = np.gradient(turns * order, STEP_S)
        middle = max(float(np.median(rate)), 1.0)
        pulled = (1 - load) + load * np.clip(np.abs(drive.load) if load < 0.75 else drive.load, 0, 1) * 1.5
        strength = (
            np.clip(rate / middle, 0, 3) ** growth
            * pulled
            * np.exp(0.2 * wander(rng, len(turns), rng.uniform(5, 20)))
        )
        strength = strength * np.clip(rate / 3, 0, 1)
        size = _felt(strength, rate, way)
        scale = felt / size if size > 0 else 0.0
        return Line(part, order, turns, strength * scale, float(rng.uniform(0, 2 * np.pi)), way, fault)


def _healthy_plan(car: Car) -> list[tuple[str, float, float, float]]:
    """Part, order, median healthy rms in m/s^2, share that depends on load."""
    plan: list[tuple[str, float, float, float]] = []
    for part in ("driveshaft", "front_driveshaft"):
        if car.shaft if part == "driveshaft" else car.front_shaft:
            plan += [(part, 1.0, 0.015, 0.1), (part, 2.0, 0.012, 0.6), (part, 3.0, 0.004, 0.1)]
    if car.half_shafts():
        plan += [("half_shaft", 3.0, 0.010, 0.9), ("half_shaft", 6.0, 0.004, 0.9)]
    if car.motor:
        plan += [("motor", 1.0, 0.010, 0.3), ("motor", 2.0, 0.005, 0.3)]
    if car.cylinders:
        firing = car.cylinders / 2
        plan += [
            ("engine", 0.5, 0.006, 0.5),
            ("engine", 1.0, 0.015, 0.2),
            ("engine", 1.5, 0.005, 0.5),
            ("engine", 2.0, 0.012, 0.3),
        ]
        plan += [
            ("engine", firing, 0.05, 0.5),
            ("engine", 1.5 * firing, 0.006, 0.5),
            ("engine", 2 * firing, 0.015, 0.5),
        ]
        plan += [("engine", 3 * firing, 0.008, 0.5), ("engine", 4 * firing, 0.004, 0.5)]
        plan += [(f"accessory:{name}", 1.0, 0.005, 0.0) for name, _ in car.accessories]
    return plan


def draw_lines(car: Car, drive: Drive, fault: Fault | None, rng: np.random.Generator) -> list[Line]:
    """Every line of the drive; those of the fault stand first."""
    maker = _Maker(car, drive, rng)
    wheels, turns = wheel_turns(car, drive), part_turns(car, drive)
    lines: list[Line] = []
    for wheel in wheels:
        for order, level in ((1.0, 0.022), (2.0, 0.012), (3.0, 0.008), (4.0, 0.005)):
            felt = min(level * np.exp(0.6 * rng.standard_normal()), TOP_HEALTHY)
            lines.append(maker.line("tire_wheel", order, wheel, felt, 0.05, rng.uniform(1, 2)))
    for part, order, level, load in _healthy_plan(car):
        top = TOP_FIRING if part == "engine" and order == car.cylinders / 2 else TOP_HEALTHY
        felt = min(level * np.exp(0.6 * rng.standard_normal()), top)
        growth = rng.uniform(0, 1) if part == "engine" else rng.uniform(1, 2)
        lines.append(maker.line(part, order, turns[part], felt, load, growth))
    if fault is None:
        return lines
    return [*_fault_lines(car, maker, fault, lines, wheels, turns), *lines]


def _fault_lines(
    car: Car, maker: _Maker, fault: Fault, healthy: list[Line], wheels: list[Floats], turns: dict[str, Floats]
) -> list[Line]:
    """The fault and what comes with it: weak upper orders, a second tire that beats, other half orders of a misfire."""
    rng = maker.rng
    usual = max([felt_rms(h) for h in healthy if (h.part, h.order) == (fault.part, fault.order)], default=0.0)
    felt = max(fault.rms, OVER_HEALTHY * usual)
    own = turns[fault.part]
    if fault.part == "tire_wheel":
        own = wheels[int(rng.integers(4))]
    elif fault.part == "half_shaft":
        own = wheels[int(rng.choice(car.driven()))]
    out = [maker.line(fault.part, fault.order, own, felt, fault.under_load, fault.growth, fault=True)]
    if fault.order == 0.5:
        with_it = [(k, rng.uniform(0.1, 0.5)) for k in (1.0, 1.5, 2.5)]
    elif fault.part == "tire_wheel":
        with_it = [(k, rng.uniform(0.02, 0.3)) for k in (1.0, 2.0, 3.0, 4.0) if k != fault.order]
    elif (
        fault.part.endswith("driveshaft") and fault.order == 2
    ):  # a joint's fourth order is of its angle squared
        with_it = [(4.0, rng.uniform(0.0, 0.06))]
    else:
        with_it = [(fault.order * k, rng.uniform(0.02, 0.25)) for k in (2, 3)]
    for order, share in with_it:
        out.append(
            maker.line(fault.part, order, own, felt * share, fault.under_load, fault.growth, fault=True)
        )
    if fault.part == "tire_wheel" and rng.random() < 0.4:
        other = wheels[int(rng.integers(4))]
        out.append(
            maker.line(
                fault.part, fault.order, other, felt * rng.uniform(0.2, 0.7), 0.0, fault.growth, fault=True
            )
        )
    return out


def line_samples(lines: list[Line], drive: Drive, at_s: Floats, gain: Complex | None = None) -> Floats:
    """All lines at the instants `at_s`: (n, 3) at the floor, vehicle axes. gain: a filter over FREQS, e.g. a mount."""
    out = np.zeros((len(at_s), 3))
    slow = np.arange(0, at_s[-1] + 0.1, 0.05) if len(at_s) else np.zeros(1)
    for line in lines:
        phase = 2 * np.pi * np.interp(at_s, drive.time_s, line.turns) * line.order + line.phase
        strength = np.interp(at_s, drive.time_s, line.strength)
        rate = np.interp(slow, drive.time_s, line.rate())
        turn = np.exp(1j * phase) * strength
        for axis in range(3):
            way = line.response[:, axis] if gain is None else line.response[:, axis] * gain
            through = np.interp(rate, FREQS, way.real) + 1j * np.interp(rate, FREQS, way.imag)
            out[:, axis] += (turn * np.interp(at_s, slow, through)).real
    return out
