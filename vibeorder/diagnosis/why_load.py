"""Throttle on or off: strength when the engine pulls and when it is pulled, at one and the same speed."""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.explanation import Finding, LoadSplit, Said, SpeedCurve
from vibeorder.diagnosis.why_case import Case
from vibeorder.diagnosis.why_track import Followed, Strength
from vibeorder.vehicle import lives_on_torque

__all__ = ["load_said", "load_split"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

ALIKE_SE = 0.27
"""Error in ln(ratio) up to which 'no change' is said: a change by half would have shown."""

LOAD_MPS2 = 0.12
"""Acceleration beyond which the engine is taken to pull, or to be pulled: 0.3 mph per second."""

ACCELERATION_OVER_S = 3.0
LOAD_BIN = 0.03
LEAST_SHARED, LEAST_LOAD_S = 3, 1.0
LOAD_SCATTER = 0.15
PASS_SD = 0.35
"""How far one pass through a speed may differ from the next for other reasons (road, the body's memory), in
ln(strength): neighbouring speeds of one pass do not make up for it. From simulated drives without any load in them.
"""


def load_said(case: Case, curve: SpeedCurve | None) -> Said:
    """Whether the throttle changes it at one and the same speed."""
    split = None if curve is None else curve.load
    if case.source != "logged":
        return 0, Finding("load", "No speed log, so pulling and coasting cannot be told apart.")
    if split is None:
        return 0, Finding(
            "load", "The drive never passed through enough speeds both pulling and coasting to compare."
        )
    low, high = np.exp(np.log(split.ratio) + 1.96 * split.log_ratio_se * np.array([-1.0, 1.0]))
    changes = low > 1.15 or high < 1.0 / 1.15
    alike = low < 1.0 < high and split.log_ratio_se < ALIKE_SE
    feels = lives_on_torque(*case.candidate.key)
    base = (
        f"At {split.speed_mps.size} speeds passed both pulling and coasting ({_times(split.passes)} each way) it is "
        f"{split.ratio:.2f} times as "
        f"strong pulling (19 in 20: {low:.2f} to {high:.2f})"
    )
    values = (
        ("ratio", split.ratio),
        ("log_ratio_se", split.log_ratio_se),
        ("speeds", float(split.speed_mps.size)),
    )
    usual = "this source usually changes with load" if feels else "this source follows speed, not load"
    if changes:
        return (1 if feels else -1), Finding(
            "load", f"{base}: it changes with the throttle; {usual}.", values=values
        )
    if alike:
        return (-1 if feels else 1), Finding(
            "load", f"{base}: the throttle changes nothing; {usual}.", values=values
        )
    return 0, Finding(
        "load", f"{base}: too uncertain; pass the same speed more often both ways.", values=values
    )


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def load_split(case: Case, found: Followed) -> LoadSplit | None:
    """Strength pulling and coasting in narrow bins of speed that saw both."""
    if case.source != "logged":
        return None
    speed, acceleration = _driven(case, found.times_s)
    usual = case.usual_ratio(found.times_s)
    pulls, coasts = acceleration > LOAD_MPS2, acceleration < -LOAD_MPS2
    slowest, fastest = max(float(speed.min()), 2.0), max(float(speed.max()), 2.1)
    rows = []
    for low, high in pairwise(np.exp(np.arange(np.log(slowest), np.log(fastest), LOAD_BIN))):
        inside = (speed >= low) & (speed < high) & usual
        pull, coast = found.over(inside & pulls), found.over(inside & coasts)
        if (
            pull
            and coast
            and min(pull.seconds, coast.seconds) >= LEAST_LOAD_S
            and _clear(pull)
            and _clear(coast)
        ):
            rows.append((0.5 * (low + high), pull, coast))
    if len(rows) < LEAST_SHARED:
        return None
    logs = np.array([np.log(p.amplitude / c.amplitude) for _, p, c in rows])
    noise = np.array(
        [np.hypot(p.standard_error / p.amplitude, c.standard_error / c.amplitude) for _, p, c in rows]
    )
    weight = 1.0 / (noise**2 + LOAD_SCATTER**2)
    mean = float((weight * logs).sum() / weight.sum())
    scatter = float((weight * (logs - mean) ** 2).sum() / (len(rows) - 1))
    passes = min(_runs(pulls), _runs(coasts))
    se = float(np.hypot(np.sqrt(max(scatter, 1.0) / weight.sum()), PASS_SD / np.sqrt(max(passes, 1))))
    return LoadSplit(
        np.array([v for v, _, _ in rows]),
        np.array([p.amplitude for _, p, _ in rows]),
        np.array([c.amplitude for _, _, c in rows]),
        float(np.exp(mean)),
        se,
        passes,
    )


def _runs(state: BoolArray) -> int:
    """How often a state was entered."""
    return int((np.diff(state.astype(int), prepend=0) == 1).sum())


def _driven(case: Case, times_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Road speed and its rise over ACCELERATION_OVER_S by the speed source alone, at any instants."""
    clock = case.hypothesis.scan.clock
    speed = clock.rate_hz * case.circumference_m
    half = 0.5 * ACCELERATION_OVER_S
    before, after = (np.interp(times_s + d, clock.mid_s, speed) for d in (-half, half))
    return np.interp(times_s, clock.mid_s, speed), np.asarray((after - before) / ACCELERATION_OVER_S)


def _clear(found: Strength) -> bool:
    return found.amplitude > 2.0 * found.standard_error
