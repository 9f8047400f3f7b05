"""Drives of the outside world: speed, gear, load and road against time, and how often each part has turned.

A driver follows a wanted speed with a lag of some seconds and a wander of his own; the box shifts by speed and load;
an open converter slips by a few percent at a light load and by a fifth and more when pulled hard from low speed (a
judgement, no source). All figures of driving are judgements.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from outside_vehicles import Car

__all__ = ["STEP_S", "Drive", "draw_drive", "part_turns", "wheel_turns"]

STEP_S = 0.01
G = 9.81
NEUTRAL = 0
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Drive:
    """One drive on a grid of STEP_S. gear: 0 in neutral. load: torque at the wheels, 1 = all the vehicle has.

    engine_hz: crankshaft. slope: rise over run. curve: 1/radius in 1/m, left positive.
    """

    kind: str
    time_s: Floats
    speed_mps: Floats
    accel: Floats
    slope: Floats
    curve: Floats
    load: Floats
    gear: NDArray[np.int64]
    engine_hz: Floats

    def distance(self) -> Floats:
        """Metres since the start."""
        return np.cumsum(self.speed_mps) * STEP_S

    def held_gear(self) -> int | None:
        """The gear that was in throughout, or None."""
        found = set(self.gear.tolist())
        return found.pop() if len(found) == 1 and NEUTRAL not in found else None


def wander(rng: np.random.Generator, count: int, settle_s: float) -> Floats:
    """A slow random course of standard deviation 1 with a correlation time of `settle_s`, on the grid of STEP_S."""
    coarse = max(int(count * STEP_S / settle_s * 4) + 4, 8)
    keep = np.exp(-0.25)
    values = np.empty(coarse)
    values[0] = rng.standard_normal()
    for i in range(1, coarse):
        values[i] = keep * values[i - 1] + np.sqrt(1 - keep**2) * rng.standard_normal()
    at = np.arange(count) * STEP_S / (settle_s / 4)
    smooth = np.interp(at, np.arange(coarse), values)
    width = max(int(settle_s / 4 / STEP_S), 1)
    kernel = np.hanning(width + 2)[1:-1]
    return _smooth(smooth, kernel)


def _smooth(values: Floats, kernel: Floats) -> Floats:
    """Running mean with the kernel's weights; the ends are taken to go on."""
    width = len(kernel)
    wide = np.convolve(np.pad(values, width, mode="edge"), kernel / kernel.sum(), mode="same")
    return np.asarray(wide[width:-width], dtype=np.float64)


def _wanted(kind: str, rng: np.random.Generator) -> tuple[Floats, float]:
    """Wanted speed on the grid, m/s, and the share of the vehicle's strength the driver uses."""
    low, high = rng.uniform(11, 17), rng.uniform(24, 33)
    if kind in ("steady", "hills"):
        long = rng.uniform(30, 150) if kind == "steady" else rng.uniform(60, 180)
        return np.full(int(long / STEP_S), rng.uniform(17, 32)), 0.3
    if kind == "pull":
        start, long = rng.uniform(4, 14), rng.uniform(30, 75)
        return _knots([(0, start), (rng.uniform(3, 8), start), (long, high)]), rng.uniform(0.5, 1.0)
    if kind == "sweep":
        up, hold, down = rng.uniform(25, 70), rng.uniform(0, 10), rng.uniform(15, 60)
        return _knots([(0, low), (up, high), (up + hold, high), (up + hold + down, low + 2)]), 0.5
    if kind == "coast":
        before = rng.uniform(5, 12)
        return np.full(int((before + rng.uniform(25, 55)) / STEP_S), high), 0.4
    knots: list[tuple[float, float]] = [(0.0, rng.uniform(0, 12))]
    end = rng.uniform(90, 240)
    while knots[-1][0] < end:
        t = knots[-1][0]
        goal = float(rng.choice([0.0, 8.0, 13.9, 16.7, 22.0])) * rng.uniform(0.9, 1.1)
        reach = t + max(abs(goal - knots[-1][1]) / rng.uniform(0.7, 1.6), 2)
        knots += [(reach, goal), (reach + rng.uniform(4, 25), goal)]
    return _knots(knots), 0.7


def _knots(points: list[tuple[float, float]]) -> Floats:
    times, values = np.array(points, dtype=float).T
    return np.asarray(np.interp(np.arange(0, times[-1], STEP_S), times, values), dtype=np.float64)


def _follow(
    wanted: Floats, kind: str, car: Car, eager: float, slope: Floats, rng: np.random.Generator
) -> tuple[Floats, NDArray[np.bool_]]:
    """Speed that the driver makes of the wanted one, and where the box is in neutral."""
    count = len(wanted)
    sway = wander(rng, count, rng.uniform(6, 20)) * rng.uniform(0.1, 0.7)
    slow = rng.uniform(2.0, 5.0)
    neutral = np.zeros(count, dtype=bool)
    if kind == "coast":
        neutral[int(rng.uniform(5, 10) / STEP_S) :] = True
    speed = np.empty(count)
    now = wanted[0]
    limit = car.strength * eager
    weak = wander(rng, count, 3.0)
    for i in range(count):
        drag = 0.12 + 0.00038 * now * now
        if neutral[i]:
            rate = -drag - G * slope[i]
        else:
            aim = wanted[i] + (sway[i] if wanted[i] > 1 else 0.0)
            rate = (aim - now) / slow * 1.6
            most = limit * min(1.0, 14 / max(now, 1)) * (1 + 0.1 * weak[i])
            rate = min(max(rate, -2.5), most - 0.5 * G * max(slope[i], 0))
        now = max(now + rate * STEP_S, 0.0)
        speed[i] = now
    return speed, neutral


def _gears(
    car: Car, speed: Floats, accel: Floats, neutral: NDArray[np.bool_], hold: bool, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Gear against time: held where the driver holds one, else shifted by engine speed and load, with hysteresis."""
    if not car.gears:
        return np.where(neutral, NEUTRAL, 1).astype(np.int64)
    around = car.driven_circumference()
    per_gear = np.array(car.gears) * car.through / around  # engine Hz per m/s
    base_up, base_down = rng.uniform(1900, 2400) / 60, rng.uniform(1150, 1400) / 60
    hard_up = rng.uniform(3500, 4700) / 60
    if hold:
        fast, usual = speed.max(), float(np.median(speed))
        fit = [
            g
            for g, k in enumerate(per_gear)
            if k * fast < 4800 / 60 and k * max(speed.min(), 3) > 900 / 60 and k * usual > 1150 / 60
        ]
        if fit:
            gear = fit[-1] if rng.random() < 0.6 else int(rng.choice(fit))
            return np.where(neutral, NEUTRAL, gear + 1).astype(np.int64)
    out = np.empty(len(speed), dtype=np.int64)
    now, since = int(np.argmin(np.abs(per_gear * max(speed[0], 2) - 1900 / 60))), 99.0
    push = np.convolve(accel, np.ones(100) / 100, mode="same")
    for i, v in enumerate(speed):
        since += STEP_S
        share = min(max(push[i] / car.strength, 0), 1)
        up = base_up + (hard_up - base_up) * share
        if since > 1.5:
            if (
                per_gear[now] * v > up
                and now + 1 < len(per_gear)
                and per_gear[now + 1] * v > base_down * 1.05
            ):
                now, since = now + 1, 0.0
            elif (
                per_gear[now] * v < base_down * (1 + 0.5 * share)
                and now > 0
                and per_gear[now - 1] * v < up * 0.95
            ):
                now, since = now - 1, 0.0
        out[i] = NEUTRAL if neutral[i] else now + 1
    return out


def _engine(
    car: Car, speed: Floats, load: Floats, gear: NDArray[np.int64], rng: np.random.Generator
) -> Floats:
    """Crankshaft rate: the locked ratio, shifts that take a moment, an open converter's slip, idle in neutral."""
    if not car.gears:
        return np.zeros(len(speed))
    ratios = np.array([np.nan, *car.gears])
    locked = speed / car.driven_circumference() * car.through * ratios[gear]
    locked = np.where(gear == NEUTRAL, car.idle_hz, locked)
    if car.automatic:
        open_ = (gear < car.lock_gear) | (speed < 9)
        light, hard = rng.uniform(0.01, 0.04), rng.uniform(0.08, 0.2)
        slip = np.where(
            open_, light + hard * np.clip(load, -0.1, 1.0) * np.clip(16 / np.maximum(speed, 2), 0.4, 3), 0.0
        )
        width = int(0.4 / STEP_S)
        slip = _smooth(slip, np.ones(width))
        locked = np.where(gear == NEUTRAL, locked, locked * (1 + slip))
    width = int((rng.uniform(0.3, 0.6) if car.automatic else rng.uniform(0.6, 1.0)) / STEP_S)
    kernel = np.hanning(width + 2)[1:-1]
    eased = _smooth(locked, kernel)
    uneven = 0.002 * wander(rng, len(speed), 1.5) * (gear == NEUTRAL)
    return np.asarray(np.maximum(eased, car.idle_hz) * (1 + uneven), dtype=np.float64)


def draw_drive(car: Car, kind: str, rng: np.random.Generator, hold: bool) -> Drive:
    """A drive of one kind: steady, hills, pull, sweep, coast, city. hold: one gear where the engine allows it."""
    wanted, eager = _wanted(kind, rng)
    count = len(wanted)
    steep = rng.uniform(0.02, 0.05) if kind == "hills" else rng.uniform(0.0, 0.012)
    slope = steep * wander(rng, count, rng.uniform(8, 20))
    speed, neutral = _follow(wanted, kind, car, eager, slope, rng)
    accel: Floats = np.asarray(np.gradient(speed, STEP_S), dtype=np.float64)
    resist = 0.12 + 0.00038 * speed**2 + G * slope
    load = np.where(
        neutral,
        0.0,
        np.clip((accel + resist) / (car.strength * np.minimum(1, 14 / np.maximum(speed, 1))), -0.5, 1.2),
    )
    load = _smooth(load, np.ones(30))
    tight = 0.008 if kind == "city" else 0.0012
    curve = tight * wander(rng, count, 6.0) * np.clip(1.2 - speed / 40, 0.2, 1)
    gear = _gears(car, speed, accel, neutral, hold, rng)
    engine = _engine(car, speed, load, gear, rng)
    time = np.asarray(np.arange(count) * STEP_S, dtype=np.float64)
    return Drive(kind, time, speed, accel, slope, curve, load, gear, engine)


def wheel_turns(car: Car, drive: Drive) -> list[Floats]:
    """Turns of FL, FR, RL, RR since the start; the outer wheel of a curve runs farther (track 1.55 m)."""
    around = car.wheel_circumferences()
    out = []
    for wheel, side in enumerate((1.0, -1.0, 1.0, -1.0)):
        path = drive.speed_mps * (1 - side * drive.curve * 1.55 / 2)
        out.append(np.cumsum(path) * STEP_S / around[wheel])
    return out


def part_turns(car: Car, drive: Drive) -> dict[str, Floats]:
    """Turns since the start of every part by the name the JSON gives it; `tire_wheel` is the mean of all wheels."""
    wheels = wheel_turns(car, drive)
    axle = np.mean([wheels[i] for i in car.driven()], axis=0)
    out: dict[str, Floats] = {"tire_wheel": np.mean(wheels, axis=0)}
    if car.half_shafts():
        out["half_shaft"] = axle
    rear = (wheels[2] + wheels[3]) / 2
    if car.shaft:
        out["driveshaft"] = rear * car.shaft
    if car.front_shaft:
        out["front_driveshaft"] = (wheels[0] + wheels[1]) / 2 * car.front_shaft
    if car.motor:
        out["motor"] = axle * car.motor
    if car.gears:
        engine = np.cumsum(drive.engine_hz) * STEP_S
        out["engine"] = engine
        out |= {f"accessory:{name}": engine * ratio for name, ratio in car.accessories}
    return out
