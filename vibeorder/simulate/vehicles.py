"""Invented vehicles: plausible ratios, tires and engines, none of any real make."""

from typing import get_args

import numpy as np

from vibeorder.vehicle import Layout, Vehicle, parse_vehicle

__all__ = ["random_vehicle"]

AXLE_RATIOS = (2.73, 2.93, 3.08, 3.15, 3.23, 3.31, 3.42, 3.55, 3.73, 3.91, 4.10, 4.30)
MOTOR_RATIOS = (7.05, 7.94, 8.28, 9.04, 9.73, 10.6)
# Gear sets in the manner of four- to ten-speed automatics and manuals; invented, no maker's own list.
LENGTHWISE_GEARS = (
    (2.85, 1.56, 1.00, 0.70),
    (3.55, 2.06, 1.40, 1.00, 0.77),
    (4.05, 2.30, 1.50, 1.00, 0.80, 0.62),
    (4.15, 2.36, 1.54, 1.15, 0.86, 0.68),
    (4.45, 2.82, 1.88, 1.38, 1.00, 0.83, 0.72),
    (4.62, 3.02, 2.06, 1.63, 1.27, 1.00, 0.83, 0.66),
    (5.25, 3.22, 2.24, 1.63, 1.22, 1.00, 0.86, 0.71, 0.60),
    (4.67, 2.96, 2.13, 1.75, 1.51, 1.26, 1.00, 0.84, 0.68, 0.62),
)
CROSSWISE_GEARS = (
    (2.80, 1.53, 1.00, 0.72),
    (3.48, 1.93, 1.29, 0.96, 0.75),
    (4.42, 2.66, 1.81, 1.37, 1.00, 0.76),
    (3.75, 2.02, 1.33, 0.99, 0.78, 0.63),
    (5.18, 3.03, 1.94, 1.45, 1.21, 1.00, 0.81, 0.67),
    (4.68, 2.83, 1.89, 1.37, 1.00, 0.82, 0.70, 0.58, 0.49),
)
TRUCK_TIRES = (
    "275/65R18",
    "265/70R17",
    "245/75R16",
    "235/75R15",
    "275/55R20",
    "LT285/70R17",
    "31x10.50R15LT",
)
CAR_TIRES = (
    "205/55R16",
    "195/65R15",
    "225/45R17",
    "215/55R17",
    "225/65R17",
    "235/60R18",
    "235/55R19",
    "175/65R14",
)
ACCESSORIES = (("alternator", 2.7), ("water pump", 1.2), ("compressor", 1.45), ("steering pump", 1.3))


def random_vehicle(rng: np.random.Generator, layout: Layout | None = None) -> Vehicle:
    """An invented vehicle of that layout, or of a random one (rear drive twice as often as any other)."""
    chosen = layout or get_args(Layout)[_weighted(rng, (2, 1, 1, 1, 1))]
    truck = chosen in ("rwd", "4wd") and rng.random() < 0.75
    profile: dict[str, object] = {
        "vehicle": {"name": f"invented {chosen} no. {int(rng.integers(1000))}", "layout": chosen},
        "tire": {"size": str(rng.choice(TRUCK_TIRES if truck else CAR_TIRES))},
    }
    if chosen == "ev":
        profile["motor"] = {"ratio": float(rng.choice(MOTOR_RATIOS))}
        return parse_vehicle(profile)
    sets = CROSSWISE_GEARS if chosen == "fwd" else LENGTHWISE_GEARS
    axle: dict[str, object] = {"ratio": float(rng.choice(AXLE_RATIOS))}
    if chosen == "rwd":
        axle["independent"] = not truck
    profile["axle"] = axle
    profile["transmission"] = {"gears": list(sets[int(rng.integers(len(sets)))])}
    profile["engine"] = {"cylinders": int(rng.choice((6, 8) if truck else (3, 4, 4, 6)))}
    if rng.random() < 0.3:
        listed = [ACCESSORIES[i] for i in sorted(rng.choice(len(ACCESSORIES), 2, replace=False))]
        spread = rng.uniform(0.9, 1.1, 2)
        profile["accessory"] = [
            {"name": name, "ratio": round(ratio * float(by), 2)}
            for (name, ratio), by in zip(listed, spread, strict=True)
        ]
    return parse_vehicle(profile)


def _weighted(rng: np.random.Generator, weights: tuple[int, ...]) -> int:
    share = np.array(weights, float)
    return int(rng.choice(share.size, p=share / share.sum()))
