"""The lines of everything that turns: what a healthy vehicle has, and the fault."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import VehicleError
from vibeorder.simulate.drive import GRID_HZ, DrivePath
from vibeorder.simulate.model import Body, Fault, Scenario, Source, TrueLine
from vibeorder.vehicle import Vehicle, firing_order, rotors, sources_of

__all__ = ["HEALTHY", "Healthy", "healthy_of", "part_rates", "source_keys", "true_lines"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

SLOWEST_HZ = 0.5  # below this the body's response is taken as constant: ln f has no end
GAIN_STEP_S = 0.25


@dataclass(frozen=True, slots=True)
class Healthy:
    """How often a healthy vehicle shows a line, its median vector rms, and amplitude ~ rate**growth."""

    probability: float
    median_mps2: float
    growth: float


# Assumed, not measured. Kept apart from the catalogue's priors, which the diagnosis reads: the world must not
# follow whatever its judge believes. Log-normal; a source without an entry takes ANY_OTHER.
HEALTHY_SD = 0.7
HEALTHY_CUT = 2.5  # in sd: a vehicle further out would itself bring a complaint
HEALTHY: dict[Source, Healthy] = {
    ("tire_wheel", 1.0): Healthy(0.9, 0.015, 2.0),
    ("tire_wheel", 2.0): Healthy(0.6, 0.008, 1.0),
    ("tire_wheel", 3.0): Healthy(0.4, 0.006, 1.0),
    ("tire_wheel", 4.0): Healthy(0.3, 0.004, 1.0),
    ("driveshaft", 1.0): Healthy(0.7, 0.010, 2.0),
    ("driveshaft", 2.0): Healthy(0.5, 0.006, 1.0),
    ("front_driveshaft", 1.0): Healthy(0.6, 0.006, 2.0),
    ("front_driveshaft", 2.0): Healthy(0.4, 0.004, 1.0),
    ("half_shaft", 3.0): Healthy(0.3, 0.004, 1.0),
    ("engine", 0.5): Healthy(0.2, 0.003, 0.5),
    ("engine", 1.0): Healthy(0.5, 0.008, 2.0),
    ("engine", 1.5): Healthy(0.2, 0.004, 0.5),
    ("engine", 2.0): Healthy(0.4, 0.005, 0.5),
    ("motor", 1.0): Healthy(0.5, 0.005, 2.0),
}
FIRING = Healthy(0.9, 0.020, 0.5)
ANY_OTHER = Healthy(0.3, 0.003, 1.0)


def healthy_of(vehicle: Vehicle, part: str, order: float) -> Healthy:
    """The healthy line of a source; the engine's firing order depends on its cylinders."""
    if part == "engine" and order == firing_order(vehicle):
        return FIRING
    return HEALTHY.get((part, order), ANY_OTHER)


def source_keys(vehicle: Vehicle) -> tuple[Source, ...]:
    """(part, order) of everything in the catalogue that can shake in this vehicle."""
    return tuple((source.part, source.order) for source in sources_of(vehicle))


def part_rates(vehicle: Vehicle, path: DrivePath, rng: np.random.Generator) -> dict[str, FloatArray]:
    """Rotation rate of every part on the path's grid, in turns per second (staggered tires: the front).

    Where the ratio itself is doubtful (a belt), the true one is drawn once.
    """
    basis = {"wheel": path.wheel_hz, "engine": path.engine_hz}
    rates: dict[str, FloatArray] = {}
    for rotor in rotors(vehicle):
        off = rotor.relative_se * float(np.clip(rng.normal(), -2.0, 2.0))
        rates.setdefault(rotor.part, basis[rotor.basis] * rotor.ratio * (1.0 + off))
    return rates


def true_lines(
    vehicle: Vehicle,
    scenario: Scenario,
    path: DrivePath,
    rates: dict[str, FloatArray],
    rng: np.random.Generator,
) -> tuple[TrueLine, ...]:
    """Draw the healthy lines and add the faults; each with its frequency, phase and gains against time.

    Raises VehicleError where a fault names a part that this vehicle has not got.
    """
    for fault in scenario.faults:
        if fault.part not in rates:
            raise VehicleError(f"{vehicle.name} has no {fault.part}; it has {', '.join(rates)}")
    wheels = 1.0 + scenario.tire_spread * rng.normal(size=4)
    faulty = {(fault.part, fault.order) for fault in scenario.faults}
    lines = []
    for part, order in source_keys(vehicle):
        # Drawn for every source, faulty or not, so that a fault changes no other line of the same seed.
        healthy, (chance, normal) = healthy_of(vehicle, part, order), (rng.random(), float(rng.normal()))
        own = rng.spawn(1)[0]
        if chance < healthy.probability and scenario.healthy_scale and (part, order) not in faulty:
            level = (
                healthy.median_mps2
                * float(np.exp(HEALTHY_SD * np.clip(normal, -HEALTHY_CUT, HEALTHY_CUT)))
                * scenario.healthy_scale
            )
            lines += _line_set(scenario, path, rates, Fault(part, order, level), healthy.growth, wheels, own)
    for fault in scenario.faults:
        growth, own = healthy_of(vehicle, fault.part, fault.order).growth, rng.spawn(1)[0]
        size = float(wheels[int(own.integers(4))]) if fault.part == "tire_wheel" else 1.0
        lines.append(_line(scenario.body, path, rates[fault.part] * size, fault, growth, own, is_fault=True))
    return tuple(lines)


def _line_set(
    scenario: Scenario,
    path: DrivePath,
    rates: dict[str, FloatArray],
    wanted: Fault,
    growth: float,
    wheels: FloatArray,
    rng: np.random.Generator,
) -> list[TrueLine]:
    """One line, or four of half the amplitude (the same power) where the tires differ in size."""
    rate = rates[wanted.part]
    if wanted.part != "tire_wheel" or scenario.tire_spread == 0:
        return [_line(scenario.body, path, rate, wanted, growth, rng)]
    each = Fault(wanted.part, wanted.order, wanted.rms_mps2 / 2.0)
    return [_line(scenario.body, path, rate * w, each, growth, rng, wheel=i) for i, w in enumerate(wheels)]


def _line(
    body: Body,
    path: DrivePath,
    rate: FloatArray,
    wanted: Fault,
    growth: float,
    rng: np.random.Generator,
    is_fault: bool = False,
    wheel: int | None = None,
) -> TrueLine:
    frequency = rate * wanted.order
    rms = wanted.rms_mps2 if frequency.any() else 0.0  # what stands does not shake
    steps = 0.5 * (frequency[1:] + frequency[:-1]) / GRID_HZ
    phase = np.concatenate([[0.0], np.cumsum(steps)])
    knots, gains = _gains(body, path.times_s, frequency, growth, rng)
    return TrueLine(wanted.part, wanted.order, rms, is_fault, frequency, phase, knots, gains * rms, wheel)


def _gains(
    body: Body, times: FloatArray, frequency: FloatArray, growth: float, rng: np.random.Generator
) -> tuple[FloatArray, ComplexArray]:
    """Complex peak amplitudes on three axes at knots, of vector rms 1 over the record."""
    direction = rng.normal(size=3)
    direction /= np.linalg.norm(direction)
    knots = np.arange(times[0], times[-1] + 1.0, 1.0)
    if body.steady:
        gain = np.sqrt(2.0) * direction * np.exp(2j * np.pi * rng.random())
        return knots, np.repeat(gain[:, None], knots.size, 1)
    ln_f = np.log(np.maximum(np.interp(knots, times, frequency), SLOWEST_HZ))
    apart = (ln_f[:, None] - ln_f) / body.length_ln_f
    likeness = np.exp(-0.5 * apart**2 - np.abs(knots[:, None] - knots) / body.memory_s)
    root = np.linalg.cholesky(likeness + 1e-9 * np.eye(knots.size))
    white = (rng.normal(size=(4, knots.size, 2)) @ np.array([1.0, 1j])) @ root.T
    gains = np.sqrt(body.common) * direction[:, None] * white[0] * np.sqrt(3.0)
    gains = (gains + np.sqrt(1.0 - body.common) * white[1:]) * np.exp(growth * (ln_f - ln_f.mean()))
    fine = np.arange(times[0], times[-1], GAIN_STEP_S)
    power = sum(np.abs(np.interp(fine, knots, axis)) ** 2 for axis in gains)
    return knots, gains / np.sqrt(np.mean(power) / 2.0)
