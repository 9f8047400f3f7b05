"""The road of the outside world: what the floor of a vehicle does with every part running true.

Road: ISO 8608 displacement spectrum, Gd(n) = Gd(0.1 /m) (n / 0.1 /m)^-2, geometric means 16, 64, 256 x 10^-6 m^3 for
classes A, B, C (figures from memory, not confirmed); here 2 to 64, since highways are better than the middle of A.
It passes under the front and the rear wheels one wheelbase apart, through a linear two-mass suspension (body 1.1 to
1.6 Hz, wheel hop 10 to 14 Hz: textbook values), and shakes some modes of the floor. Joints, bumps, gusts: judgements.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from outside_drives import STEP_S, Drive, wander
from outside_vehicles import Car
from scipy.signal import bilinear, lfilter

__all__ = ["GRID_HZ", "SPACE_M", "Road", "draw_road", "floor_motion", "track_heights"]

GRID_HZ = 1000.0
G = 9.81
SPACE_M = 0.02
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Road:
    """Roughness Gd(0.1 /m) in m^3; coarse: short waves so many times stronger; joint_m: 0 for no joints."""

    roughness: float
    coarse: float
    joint_m: float
    joint_mm: float
    bumps_per_km: float
    gust: float


def draw_road(rng: np.random.Generator, city: bool) -> Road:
    """Some road; a city's is rougher."""
    rough = float(np.exp(rng.uniform(np.log(2e-6), np.log(32e-6)))) * (2.0 if city else 1.0)
    return Road(
        roughness=rough,
        coarse=float(rng.choice([1.0, 1.0, 2.5])),
        joint_m=float(rng.choice([0.0, 0.0, 4.6, 6.1, 25.0])),
        joint_mm=float(rng.uniform(1.0, 4.0)),
        bumps_per_km=float(rng.uniform(0, 4)),
        gust=float(rng.choice([0.0, 0.1, 0.3])),
    )


def track_heights(road: Road, length_m: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Height of the left and the right track in m over distance, in steps of SPACE_M."""
    count = int((length_m + 20) / SPACE_M) + 1
    slope_sd = np.sqrt((2 * np.pi * 0.1) ** 2 * road.roughness / (2 * SPACE_M))
    both, left, right = slope_sd * rng.standard_normal((3, count))
    heights = []
    for own in (left, right):
        slope = 0.75 * both + 0.66 * own
        rough = np.cumsum(slope) * SPACE_M
        if road.coarse > 1:
            wide = int(2.0 / SPACE_M)
            smooth = np.convolve(rough, np.ones(wide) / wide, mode="same")
            rough = smooth + road.coarse * (rough - smooth)
        heights.append(rough)
    extra = np.zeros(count)
    if road.joint_m:
        for at in np.arange(rng.uniform(0, road.joint_m), length_m, road.joint_m):
            _lump(extra, at, 0.08, -road.joint_mm / 1000 * rng.uniform(0.5, 1.5))
    for at in rng.uniform(0, length_m, rng.poisson(road.bumps_per_km * length_m / 1000)):
        _lump(extra, at, rng.uniform(0.2, 0.5), rng.uniform(0.004, 0.015) * rng.choice([-1, 1]))
    contact = int(0.12 / SPACE_M)  # the tire's footprint averages
    kernel = np.ones(contact) / contact
    return np.convolve(heights[0] + extra, kernel, mode="same"), np.convolve(
        heights[1] + extra * rng.uniform(0.6, 1), kernel, mode="same"
    )


def _lump(into: Floats, at_m: float, long_m: float, high_m: float) -> None:
    start, wide = int(at_m / SPACE_M), max(int(long_m / SPACE_M), 3)
    piece = into[start : start + wide]
    piece += high_m * np.sin(np.pi * (np.arange(len(piece)) + 0.5) / wide)


def _suspension(rng: np.random.Generator) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Digital filters from road height to the acceleration of the body and of the wheel; two masses, body mass 1."""
    body, damp, hop, unsprung = (
        2 * np.pi * rng.uniform(1.1, 1.6),
        rng.uniform(0.2, 0.35),
        2 * np.pi * rng.uniform(10, 14),
        rng.uniform(0.09, 0.15),
    )
    k, c = body**2, 2 * damp * body
    tire = unsprung * hop**2 - k
    den = np.polysub(np.polymul([1, c, k], [unsprung, c, k + tire]), np.polymul([c, k], [c, k]))
    body_num = tire * np.polymul([c, k], [1, 0, 0])
    wheel_num = tire * np.polymul([1, c, k], [1, 0, 0])
    return bilinear(body_num, den, GRID_HZ), bilinear(wheel_num, den, GRID_HZ)


def resonance(freq_hz: float, damping: float) -> tuple[Floats, Floats]:
    """Digital band-pass of one mode with peak gain 1."""
    w = 2 * np.pi * freq_hz
    b, a = bilinear([2 * damping * w, 0], [1, 2 * damping * w, w * w], GRID_HZ)
    return b, a


def _direction(rng: np.random.Generator, upright: float) -> Floats:
    way = rng.standard_normal(3) * np.array([0.6, 0.6, upright])
    return np.asarray(way / np.linalg.norm(way), dtype=np.float64)


def floor_motion(car: Car, drive: Drive, road: Road, rng: np.random.Generator) -> Floats:
    """Specific force at the floor without any turning part, gravity in: (n, 3) x forward, y left, z up, at GRID_HZ."""
    grid = np.arange(int(len(drive.time_s) * STEP_S * GRID_HZ)) / GRID_HZ
    speed = np.interp(grid, drive.time_s, drive.speed_mps)
    path = np.interp(grid, drive.time_s, drive.distance()) + car.wheelbase_m + 1
    tracks = track_heights(road, float(path[-1]), rng)
    places = np.arange(len(tracks[0])) * SPACE_M
    to_body, to_wheel = _suspension(rng)
    out = np.zeros((len(grid), 3))
    hubs = np.zeros(len(grid))
    shares = rng.uniform(0.35, 0.65)
    sides = []
    for track in tracks:
        front, rear = np.interp(path, places, track), np.interp(path - car.wheelbase_m, places, track)
        height = shares * front + (1 - shares) * rear
        sides.append(lfilter(*to_body, height - height[0]))
        hubs += lfilter(*to_wheel, (front - front[0]) * 0.5 + (rear - rear[0]) * rng.uniform(0.3, 0.6)) / 2
    out[:, 2] = (sides[0] + sides[1]) / 2
    out[:, 1] = 0.4 * (sides[0] - sides[1])
    out[:, 0] = 0.25 * lfilter(*resonance(rng.uniform(12, 20), 0.15), hubs) * 0.3
    for _ in range(int(rng.integers(4, 8))):
        mode = resonance(float(np.exp(rng.uniform(np.log(9), np.log(120)))), rng.uniform(0.03, 0.1))
        out += np.outer(lfilter(*mode, hubs) * rng.uniform(0.01, 0.06), _direction(rng, 1.5))
    hiss = lfilter([1.0], [1, -rng.uniform(0.6, 0.9)], rng.standard_normal((len(grid), 3)), axis=0)
    level = rng.uniform(0.02, 0.12) * np.sqrt(road.roughness / 8e-6) ** 0.5 * (speed / 25)
    out += hiss / hiss.std() * level[:, None]
    return out + _handling(car, drive, road, grid, rng)


def _handling(car: Car, drive: Drive, road: Road, grid: Floats, rng: np.random.Generator) -> Floats:
    """Pulling, braking, hills, curves, wind: what is slow, with gravity."""
    count = len(drive.time_s)
    squat = rng.uniform(0.004, 0.012)  # rad per m/s^2
    pitch = np.arctan(drive.slope) + squat * drive.accel
    side = drive.speed_mps**2 * drive.curve
    roll = 0.006 * side + 0.01 * wander(rng, count, 20.0)
    gust = road.gust * wander(rng, count, 2.0) * (wander(rng, count, 8.0) > 0.5)
    slow = np.stack(
        [
            drive.accel + G * np.sin(pitch),
            side + G * np.sin(roll) + gust,
            G * np.cos(pitch) * np.cos(roll),
        ],
        axis=1,
    )
    return np.stack([np.interp(grid, drive.time_s, slow[:, axis]) for axis in range(3)], axis=1)
