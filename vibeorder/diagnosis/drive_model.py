"""What a drive would show of every suspect that still stands: where its line runs, how strong, how sure.

Frequency: wheel rate (speed over rolling circumference) times the line's turns per wheel turn; for the engine
through the gear; from engine speed alone at a standstill; none of the engine's in neutral; a fixed resonance
stays. Strength: as measured, times (frequency ratio) ** growth, within what the body's response leaves open.
Evidence: as `evidence` reads it, blocks of 4 s, bounded in the same way.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.analyse import SHAKES_SHARES
from vibeorder.diagnosis.blocks import BLOCK_S
from vibeorder.diagnosis.evidence import (
    EVIDENCE_SHARE,
    MODEL_RATIO_PER_S,
    NOISE_MARGIN,
    RESPONSE_LENGTH,
    STRENGTH_SE,
)
from vibeorder.diagnosis.posterior import TEMPERATURE, Kind
from vibeorder.diagnosis.scan import usable
from vibeorder.vehicle import Vehicle, engine_ratio, lives_on_torque

__all__ = [
    "NEUTRAL",
    "NOTHING",
    "UNKNOWN_GEAR",
    "USUAL_NOISE",
    "Circumstances",
    "DriveChoice",
    "Expected",
    "Standing",
    "expected_of",
    "line_paths",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

NEUTRAL, UNKNOWN_GEAR = 0, -1
NOTHING = ("nothing", 0.0)
"""The key that stands for 'nothing that turns is at fault'."""

USUAL_NOISE = 0.05
"""Vector density of road noise in m/s^2 per root Hz where none was measured: 0.3 m/s^2 rms an axis below 100 Hz, a
rough road."""

CHANNELS = 3
NOISE_BANDWIDTH_HZ = 1.5 / BLOCK_S
"""Equivalent noise bandwidth of a Hann block (Harris 1978: 1.5 bins)."""

RESOLUTION_HZ = 1.0 / BLOCK_S
"""Lines this near look like one in a block: half the main lobe of a Hann block is twice that."""

RESPONSE_LOG_SD = 0.45
"""Spread of ln(strength) from one place of the body's response to another: the vector of three complex Gaussian
axes has about this."""

LEVELS = ((-(3.0**0.5), 1.0 / 6.0), (0.0, 2.0 / 3.0), (3.0**0.5, 1.0 / 6.0))
"""Gauss-Hermite points of a standard normal, three of them: how the unknown strength is summed over."""

FELT_AGAIN = float(sum(q * q for q in SHAKES_SHARES) / sum(SHAKES_SHARES))
"""Probability that a fault felt in one drive is felt in the next, from the shares of drives that combined drives
are weighed with: sum q^2 / sum q. Not finding a line therefore never counts as much as finding it."""

FELT_WIDTH = 0.35
"""How far from where it was felt, in ln(frequency), a shake is still felt: it comes and goes with the body's modes,
whose response is known over `RESPONSE_LENGTH` of ln(frequency) and then by luck (common practice, no source)."""

NOISE_GROWTH = 0.7
STANDING_NOISE = 0.2
"""Road noise goes with speed to this power; at a standstill this share of it is left, from the engine and the
sensor (common practice, no source)."""

LOAD_TIMES, LOAD_LOG_SD = 2.0, 0.35
"""How much stronger a line that lives on torque is when pulling than when coasting, and the error of comparing
the two by ear, hand or level, in ln (common practice, no source)."""

LOAD_NEEDS = 4.0
"""Expected log evidence of a line from which its strength under load can be compared."""


@dataclass(frozen=True, slots=True)
class Standing:
    """One suspect that still stands, or 'nothing' (key ("nothing", 0.0)).

    basis, multiple: line turns per turn of the wheel or the engine; "fixed": stays at frequency_hz whatever turns.
    growth: amplitude ~ rate ** growth. strength_rms: vector rms in the recording, m/s^2, at frequency_hz (None:
    never seen, and taken to be of that strength anywhere). noise: vector density beside it, m/s^2 per root Hz.
    scale: measured over nominal rate. slack: relative doubt in the ratio itself. check: what would be done first.
    """

    key: tuple[str, float]
    label: str
    probability: float
    basis: Literal["wheel", "engine", "fixed"]
    multiple: float
    growth: float
    strength_rms: float
    noise: float
    frequency_hz: float | None = None
    scale: float = 1.0
    slack: float = 0.0
    check: str = ""


@dataclass(frozen=True, slots=True)
class DriveChoice:
    """One drive that could be made.

    kind: "hold" one speed; "sweep" from one to the other and back; "shift" one speed, first half in the first
    gear; "coast" down in neutral; "load" one speed, pulling and coasting in turn; "stand" still at engine_rpm.
    gears: as driven; empty where none is known or there is none to choose.
    """

    kind: Literal["hold", "sweep", "shift", "coast", "load", "stand"]
    from_mps: float
    to_mps: float
    gears: tuple[int, ...] = ()
    engine_rpm: float = 0.0
    duration_s: float = 40.0

    def course(self) -> tuple[FloatArray, IntArray]:
        """Road speed in m/s and gear at the middle of every block [shape (blocks,) each]."""
        count = max(2, int(self.duration_s / (0.5 * BLOCK_S)) - 1)
        along = (np.arange(count) + 0.5) / count
        if self.kind == "sweep":
            along = 1.0 - np.abs(2.0 * along - 1.0)
        speed = self.from_mps + (self.to_mps - self.from_mps) * along
        if self.kind in ("coast", "stand"):
            return speed, np.full(count, NEUTRAL, np.intp)
        gears = self.gears or (UNKNOWN_GEAR,)
        return speed, np.repeat(np.array(gears, np.intp), -(-count // len(gears)))[:count]


@dataclass(frozen=True, slots=True)
class Circumstances:
    """How the next drive will be known and recorded.

    recorded_mps: speed of the recording that the strengths come from. rate_se: how far the next drive's rates may
    be off those of this one, relative. kind: source of its speed. sample_rate_hz: of the sensor, or None.
    felt: probability that the shake is there at all.
    """

    recorded_mps: float
    rate_se: float
    kind: Kind = "logged"
    sample_rate_hz: float | None = None
    low_range: bool = False
    felt: float = FELT_AGAIN


@dataclass(frozen=True, slots=True)
class Expected:
    """What one drive, or several together, are expected to show, as `drive_entropy` takes it.

    owner, share: [shape (components,)]; gram: [shape (components, components)]. The first component of every
    suspect is that its shake is felt.
    """

    owner: IntArray
    share: FloatArray
    gram: FloatArray

    def between(self) -> FloatArray:
        """Log evidence expected between any two suspects where both are felt [shape (suspects, suspects)]."""
        _, first = np.unique(self.owner, return_index=True)
        gram = self.gram[np.ix_(first, first)]
        own = np.diag(gram)
        return np.asarray(0.5 * (own[:, None] + own - 2.0 * gram), float)


def expected_of(
    standing: Sequence[Standing],
    vehicle: Vehicle,
    choice: DriveChoice,
    setting: Circumstances,
    levels: Sequence[tuple[float, float]] = LEVELS,
) -> Expected:
    """The points that a drive would show under every suspect, by their inner products.

    levels: strengths to sum over, in standard deviations, with their weights.
    """
    paths = line_paths(standing, vehicle, choice, setting)
    seen = np.isfinite(paths)
    if setting.sample_rate_hz is not None:
        seen &= usable(np.where(seen, paths, 1.0), setting.sample_rate_hz)
    hz = np.where(seen, paths, 1.0)
    evidence = _block_evidence(standing, choice, setting, hz, seen, [normal for normal, _ in levels])
    root = np.sqrt(2.0 * evidence)  # (suspects, levels, blocks)
    alike = _alike(standing, setting, hz)  # (blocks, suspects, suspects)
    gram = np.einsum("clb,kmb,bck->clkm", root, root, alike, optimize=True)
    if choice.kind == "load":
        change = _load_change(standing, evidence.sum(axis=-1))
        gram = gram + change[:, :, None, None] * change
    felt = setting.felt * _still_felt(standing, hz, seen)
    return _with_unfelt(gram, felt, np.array([weight for _, weight in levels]))


def joined(a: Expected, b: Expected) -> Expected:
    """Two drives together, each felt or not by itself: every component of the one with every one of the other."""
    pairs = [(i, j) for i in range(a.owner.size) for j in np.flatnonzero(b.owner == a.owner[i])]
    first, second = np.array(pairs).T
    gram = a.gram[np.ix_(first, first)] + b.gram[np.ix_(second, second)]
    return Expected(a.owner[first], a.share[first] * b.share[second], gram)


def line_paths(
    standing: Sequence[Standing], vehicle: Vehicle, choice: DriveChoice, setting: Circumstances
) -> FloatArray:
    """Frequency of every suspect's line in every block, nan where it has none [shape (suspects, blocks)]."""
    speed, gear = choice.course()
    wheel = speed / vehicle.tire.circumference_m
    engine = np.full(speed.size, np.nan)
    if choice.kind == "stand":
        engine[:] = choice.engine_rpm / 60.0
    for number in {int(g) for g in gear if g > 0}:
        engine[gear == number] = wheel[gear == number] * engine_ratio(vehicle, number, setting.low_range)
    paths = np.full((len(standing), speed.size), np.nan)
    for i, one in enumerate(standing):
        if one.basis == "engine" and UNKNOWN_GEAR in gear:  # whichever it is, taken to be the same again
            hz = np.nan if one.frequency_hz is None else one.frequency_hz
            paths[i] = hz * speed / setting.recorded_mps
        elif one.basis == "engine":
            paths[i] = engine * one.multiple * (1.0 if choice.kind == "stand" else one.scale)
        elif choice.kind != "stand":  # what the road excites is silent too
            fixed = np.nan if one.frequency_hz is None else one.frequency_hz
            paths[i] = fixed if one.basis == "fixed" else wheel * one.multiple * one.scale
    return np.where(paths > 0.0, paths, np.nan)


def _block_evidence(
    standing: Sequence[Standing],
    choice: DriveChoice,
    setting: Circumstances,
    hz: FloatArray,
    seen: NDArray[np.bool_],
    levels: Sequence[float],
) -> FloatArray:
    """Expected log evidence of each line, strength and block, as tempered [shape (suspects, levels, blocks)]."""
    speed, _ = choice.course()
    quiet = choice.kind == "stand"
    noise_gain = np.where(
        quiet, STANDING_NOISE, (np.maximum(speed, 0.1) / setting.recorded_mps) ** NOISE_GROWTH
    )
    usual = CHANNELS + NOISE_MARGIN
    out = np.zeros((len(standing), len(levels), speed.size))
    for i, one in enumerate(standing):
        if one.strength_rms <= 0.0 or not seen[i].any():
            continue
        away = np.log(hz[i] / (one.frequency_hz or float(np.median(hz[i][seen[i]]))))
        moved = 1.0 - np.exp(-0.5 * (np.mean(away[seen[i]]) / RESPONSE_LENGTH) ** 2)
        sd = float(np.hypot(STRENGTH_SE, RESPONSE_LOG_SD * np.sqrt(2.0 * moved)))
        rms = one.strength_rms * np.exp(one.growth * away + sd * np.array(levels)[:, None])
        power = (rms / (one.noise * noise_gain)) ** 2 / NOISE_BANDWIDTH_HZ
        ratio = CHANNELS * np.where(seen[i], power, 0.0)
        ratio = ratio / (1.0 + np.maximum(ratio - usual, 0.0) / (MODEL_RATIO_PER_S * BLOCK_S))
        out[i] = EVIDENCE_SHARE * (ratio - np.log1p(ratio)) / TEMPERATURE[setting.kind]
    return out


def _alike(standing: Sequence[Standing], setting: Circumstances, hz: FloatArray) -> FloatArray:
    """How far two lines look like one, block by block: 1 on one frequency, 0 apart [shape (blocks, n, n)].

    Gaussian in ln(f), each line as wide as the resolution, the doubt in the rate and in its own ratio together
    (Gibbs's kernel for unequal widths, which keeps the products those of real points).
    """
    slack = np.array([one.slack for one in standing])[:, None]
    width = np.sqrt((RESOLUTION_HZ / hz) ** 2 + setting.rate_se**2 + slack**2).T
    log_hz = np.log(hz).T
    both = width[:, :, None] ** 2 + width[:, None, :] ** 2
    apart = (log_hz[:, :, None] - log_hz[:, None, :]) ** 2
    return np.asarray(np.sqrt(2.0 * width[:, :, None] * width[:, None, :] / both) * np.exp(-apart / both))


def _still_felt(standing: Sequence[Standing], hz: FloatArray, seen: NDArray[np.bool_]) -> FloatArray:
    """Probability that each shake is felt where the drive takes it, over where it was [shape (suspects,)]."""
    out = np.ones(len(standing))
    for i, one in enumerate(standing):
        if one.frequency_hz is not None and seen[i].any():
            away = np.log(hz[i, seen[i]] / one.frequency_hz)
            out[i] = float(np.exp(-0.5 * (away / FELT_WIDTH) ** 2).mean())
    return out


def _load_change(standing: Sequence[Standing], evidence: FloatArray) -> FloatArray:
    """Strength pulling over coasting, in ln over its error [shape (suspects, levels)]."""
    changed = np.array([float(lives_on_torque(*one.key)) for one in standing])
    change = np.log(LOAD_TIMES) / LOAD_LOG_SD * np.minimum(evidence / LOAD_NEEDS, 1.0)
    return np.asarray(changed[:, None] * change, float)


def _with_unfelt(gram: FloatArray, felt: FloatArray, weights: FloatArray) -> Expected:
    """Every suspect's strengths, and beside them that its shake is not there this time."""
    suspects, levels = gram.shape[:2]
    inner = suspects * levels
    full = np.zeros((inner + suspects, inner + suspects))
    full[:inner, :inner] = gram.reshape(inner, inner)
    owner = np.concatenate([np.repeat(np.arange(suspects), levels), np.arange(suspects)]).astype(np.intp)
    return Expected(owner, np.concatenate([np.outer(felt, weights).ravel(), 1.0 - felt]), full)
