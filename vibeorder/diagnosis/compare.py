"""Is it cured? One order's level before and after a repair, at the speeds that both drives share.

In each 5% bin of speed the mean square of the order is averaged over the blocks of each drive; bins that both
have, weighed by the shorter time in either, give the two levels L and their ratio

    r = sum_k w_k L_after,k / sum_k w_k L_before,k,    w_k = min(n_before,k, n_after,k).

Its 95% interval comes from the scatter of stretches of several seconds (neighbouring blocks are not
independent: the body's answer and the road wander), by the delta method on ln r with Student's t, or, where
nothing is left to take a logarithm of, by Fieller's theorem (Fieller 1954) for the ratio itself.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.candidates import Candidate, candidates_of
from vibeorder.diagnosis.compare_change import Verdict, judged, level_of, ratio_db
from vibeorder.diagnosis.compare_levels import HOP_S, WIDEST_HZ, Levels, read_levels
from vibeorder.diagnosis.compare_mount import alike, unlike_sensors
from vibeorder.diagnosis.result import Diagnosis, SpeedFit
from vibeorder.errors import VibeorderError
from vibeorder.recording.model import Recording
from vibeorder.vehicle import Vehicle, engine_ratio

__all__ = ["Comparison", "Drive", "SpeedBin", "Verdict", "compare"]

FloatArray = NDArray[np.float64]

BIN_SHARE = 0.05
BIN_SHIFTS = 10
LEAST_COMMON_S = 10.0
"""Speed bins of 5%, laid where both drives share most time; below 10 s of it nothing is said."""

ENGINE_DOUBT = 0.01
"""How far a locked converter lets the engine run off its gear's rate (common practice, no source)."""

LOCKED_DOUBT, BORROWED_DOUBT = 0.002, 0.004
"""Relative error of the wheel rate where lines fixed it, and where another drive's did."""


@dataclass(frozen=True, slots=True)
class Drive:
    """One drive: the recording and what its diagnosis made of it (its course of speed above all)."""

    recording: Recording
    diagnosis: Diagnosis


@dataclass(frozen=True, slots=True)
class SpeedBin:
    """One 5% bin of speed. rms: of the vector, None where noise is as strong; seconds in each drive."""

    speed_mps: float
    before_rms: float | None
    after_rms: float | None
    before_s: float
    after_s: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """What became of one order. Levels are vector rms in `unit` at the common speeds.

    reason: why nothing can be said, or ''. before_rms, after_rms: 0 where nothing stands above the noise.
    before_top_rms, after_top_rms: upper ends of 95% intervals. before_hidden, after_hidden: noise hides the level, and
    only that upper end is known. ratio_db, low_db, high_db: after over before, as 20 lg of
    amplitudes; None where not measured (low_db also where it goes down to nothing). healthy_rms: what 95 of
    100 sound vehicles keep below on this line. warnings: what makes the two drives less alike.
    """

    part: str
    order: float
    label: str
    verdict: Verdict
    reason: str
    unit: str
    before_rms: float
    before_se: float
    after_rms: float
    after_se: float
    after_top_rms: float
    ratio_db: float | None
    low_db: float | None
    high_db: float | None
    healthy_rms: float
    common_s: float
    bins: tuple[SpeedBin, ...]
    warnings: tuple[str, ...]
    before_top_rms: float = 0.0
    before_hidden: bool = False
    after_hidden: bool = False


def compare(
    before: Drive, after: Drive, vehicle: Vehicle, part: str, order: float, *, low_range: bool = False
) -> Comparison:
    """Compare one order of one part between two drives of the same vehicle.

    Raises VibeorderError where the vehicle has no such part or the catalogue no such order.
    """
    candidates = candidates_of(vehicle, low_range)
    mine = _candidate(candidates, vehicle, part, order)
    reason = unlike_sensors(before.recording, after.recording) or _unlike_gears(before, after, mine)
    if reason:
        return _cannot_say(mine, reason, before.recording.unit)
    pairs = ((before, after), (after, before))
    sides = [_levels(drive, other, vehicle, candidates, mine, low_range) for drive, other in pairs]
    for side, name in zip(sides, ("before", "after"), strict=True):
        if isinstance(side, str):
            return _cannot_say(mine, f"in the drive {name} the repair {side}", before.recording.unit)
    first, second = (side for side in sides if isinstance(side, Levels))
    if first.folded != second.folded:
        return _cannot_say(
            mine, "the order is above half the sample rate in one recording only; record both at the same "
            "rate", before.recording.unit,
        )  # fmt: skip
    return _compared(before, after, mine, first, second)


def _candidate(candidates: Sequence[Candidate], vehicle: Vehicle, part: str, order: float) -> Candidate:
    for candidate in candidates:
        if candidate.part == part and abs(candidate.order - order) < 1e-6:
            return candidate
    known = sorted({c.order for c in candidates if c.part == part})
    if known:
        listed = ", ".join(f"{o:g}" for o in known)
        raise VibeorderError(f"--order {order:g} is not known of {part}; it has {listed}")
    parts = ", ".join(dict.fromkeys(c.part for c in candidates))
    raise VibeorderError(f"{vehicle.name} has no {part!r}; --part takes one of {parts}")


def _unlike_gears(before: Drive, after: Drive, mine: Candidate) -> str:
    """Why an engine's order cannot be compared at the same road speeds, or ''; a gear not known is said later."""
    one, two = before.diagnosis.speed.gear, after.diagnosis.speed.gear
    if mine.basis != "engine" or one is None or two is None or one == two:
        return ""
    return (
        f"the first drive was in gear {one} and the second in gear {two}, so at the same road speed the engine turned "
        "at another rate; drive in one gear both times"
    )


def _levels(
    drive: Drive,
    other: Drive,
    vehicle: Vehicle,
    candidates: Sequence[Candidate],
    mine: Candidate,
    low_range: bool,
) -> Levels | str:
    """The order along the drive, or why it cannot be followed."""
    speed = drive.diagnosis.speed
    scale, doubt = _scale(speed, other.diagnosis.speed, same_tires=mine.part != "tire_wheel")
    wheel = scale * speed.speed_mps / vehicle.tire.circumference_m
    engine: float | None = None
    if (
        vehicle.has_engine
        and vehicle.gears
        and vehicle.engine_per_wheel is not None
        and speed.gear is not None
    ):
        engine = engine_ratio(vehicle, speed.gear, low_range)
    multiple = mine.multiple
    if mine.basis == "engine":
        if engine is None:
            return "the gear changed or is not known; drive in one gear both times and give --gear"
        multiple, doubt = mine.multiple * engine, float(np.hypot(doubt, ENGINE_DOUBT))
    doubt = float(np.hypot(doubt, mine.slack))
    if 2.0 * doubt * float(np.median(wheel)) * multiple > WIDEST_HZ:
        return "the rate of this order is not known well enough to say where its line is; log the speed (GPS)"
    turning = [c.multiple * (1.0 if c.basis == "wheel" else engine or 0.0) for c in candidates]
    others = [m for m in turning if m > 0.0 and abs(m / multiple - 1.0) > 1e-6]
    return read_levels(drive.recording, speed.times_s, wheel, speed.speed_mps, multiple, doubt, others)


def _scale(own: SpeedFit, other: SpeedFit, *, same_tires: bool) -> tuple[float, float]:
    """Correction of the course of speed, and its relative error.

    Where no line checked this drive's logged speed (nothing shakes any more), the other drive's fit of the
    same tires and the same kind of log stands in.
    """
    doubt = max(own.scale_se, LOCKED_DOUBT)
    if own.source != other.source or own.source == "inferred":
        return 1.0, doubt
    if same_tires and own.source == "logged" and own.scale_se > BORROWED_DOUBT >= other.scale_se:
        return other.scale / own.scale, BORROWED_DOUBT
    # Fits that disagree: other tires, or one followed a wrong line. A band that holds both misses neither.
    apart = abs(other.scale / own.scale - 1.0)
    return 1.0, doubt if apart < 3.0 * BORROWED_DOUBT else max(doubt, 0.5 * apart + LOCKED_DOUBT)


def _cannot_say(mine: Candidate, reason: str, unit: str) -> Comparison:
    healthy = _healthy(mine)
    return Comparison(
        mine.part, mine.order, mine.source.label, "cannot say", reason, unit,
        0.0, 0.0, 0.0, 0.0, 0.0, None, None, None, healthy, 0.0, (), (),
    )  # fmt: skip


def _healthy(mine: Candidate) -> float:
    """The level that 95 of 100 sound vehicles keep below, by the catalogue's log-normal prior."""
    return float(mine.healthy.median_mps2 * np.exp(1.645 * mine.healthy.log_sd))


def _compared(before: Drive, after: Drive, mine: Candidate, first: Levels, second: Levels) -> Comparison:
    bin_of = _bins(first.speed_mps, second.speed_mps)
    keys = [bin_of(side.speed_mps) for side in (first, second)]
    shared = sorted(set(keys[0]) & set(keys[1]))
    weights = {k: min(int((keys[0] == k).sum()), int((keys[1] == k).sum())) for k in shared}
    common_s = HOP_S * sum(weights.values())
    if common_s < LEAST_COMMON_S:
        inferred = "inferred" in (before.diagnosis.speed.source, after.diagnosis.speed.source)
        return _cannot_say(mine, _overlap(first, second, common_s, inferred), before.recording.unit)
    refused, warnings = alike(before.recording, after.recording, *(
        side.mid_s[np.isin(key, shared)] for side, key in zip((first, second), keys, strict=True)
    ))  # fmt: skip
    one, two = level_of(first, keys[0], weights), level_of(second, keys[1], weights)
    every = dict(zip(*(part.tolist() for part in np.unique(keys[0], return_counts=True)), strict=True))
    ratio, healthy = ratio_db(one, two), _healthy(mine)
    clear = not level_of(first, keys[0], every).hidden
    verdict, reason = judged(one, two, ratio, healthy, two.top_rms, clear, common_s)
    if refused:
        verdict, reason = "cannot say", refused
    ses = [level.se / (2.0 * max(level.rms, np.sqrt(level.se))) for level in (one, two)]
    bins = tuple(_bin(k, first, second, keys) for k in shared)
    return Comparison(
        mine.part, mine.order, mine.source.label, verdict, reason, before.recording.unit,
        one.rms, float(ses[0]), two.rms, float(ses[1]), two.top_rms, *ratio, healthy, common_s, bins, warnings,
        one.top_rms, one.hidden, two.hidden,
    )  # fmt: skip


class _Binning:
    """Speed -> number of its bin; bins are 5% wide and lie `shift` of a bin further on."""

    def __init__(self, shift: float) -> None:
        self.shift = shift

    def __call__(self, speed_mps: FloatArray) -> NDArray[np.int64]:
        return np.asarray(np.floor(np.log(speed_mps) / np.log1p(BIN_SHARE) + self.shift), np.int64)


def _bins(before_mps: FloatArray, after_mps: FloatArray) -> _Binning:
    """The bins in which both drives have most time together: looks at speeds only, never at levels."""

    def common(binning: _Binning) -> int:
        one, two = binning(before_mps), binning(after_mps)
        return sum(min(int((one == k).sum()), int((two == k).sum())) for k in set(one) & set(two))

    return max((_Binning(i / BIN_SHIFTS) for i in range(BIN_SHIFTS)), key=common)


def _overlap(first: Levels, second: Levels, common_s: float, inferred: bool) -> str:
    seconds = [HOP_S * side.mid_s.size for side in (first, second)]
    if min(seconds) < LEAST_COMMON_S:
        return (
            f"the order can be read for {seconds[0]:.0f} s before and {seconds[1]:.0f} s after the repair, "
            f"and {LEAST_COMMON_S:.0f} s are needed; record half a minute or more at the speed where it shook"
        )
    return (
        f"the two drives share only {common_s:.0f} s at the same speeds, and {LEAST_COMMON_S:.0f} s are "
        "needed; "
        + ("no speed was logged, so give --speed" if inferred else "drive again at the first one's speed")
    )


def _bin(k: int, first: Levels, second: Levels, keys: Sequence[NDArray[np.int64]]) -> SpeedBin:
    values: list[float | None] = []
    for side, key in zip((first, second), keys, strict=True):
        power = float(side.power[key == k].mean())
        values.append(float(np.sqrt(power)) if power > 0.0 else None)
    speed = float(
        np.mean(np.concatenate([s.speed_mps[q == k] for s, q in zip((first, second), keys, strict=True)]))
    )
    seconds = [HOP_S * float((key == k).sum()) for key in keys]
    return SpeedBin(speed, values[0], values[1], seconds[0], seconds[1])
