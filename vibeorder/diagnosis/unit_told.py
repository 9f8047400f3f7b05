"""The unit of a logged speed that does not state it, where the acceleration left it open: told by what turns.

In the wrong unit every part would turn 1.15 to 3.6 times too fast or too slow. An engine speed logged beside, in a gear
that was told, names the unit by itself. Else the lines do: the drive is judged in each unit, and the log weight of all
that the profile can say of it (every part at fault and none, priors included) is far higher in the right one, where
the lines of a sound vehicle stand at its parts' rates too.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.analyse import LEAST_MOVING_SHARE, MOVING_HZ, PIECE_S, Setting, judge_stretch
from vibeorder.diagnosis.candidates import candidates_of
from vibeorder.diagnosis.cutting import cut
from vibeorder.diagnosis.floor import floor_of
from vibeorder.diagnosis.prepare import judged_signal, lag_of, trace_clock
from vibeorder.diagnosis.propose import BRISK, THOROUGH, Effort
from vibeorder.recording.besides import with_unit
from vibeorder.recording.model import Recording, Trace
from vibeorder.recording.scale import speed_factor
from vibeorder.spectrum.middle import log_spread
from vibeorder.vehicle import Vehicle, engine_ratio

__all__ = ["unit_told"]

FloatArray = NDArray[np.float64]

RATIO_SD = 0.05
"""How far the engine may be from its rate in the gear, in ln: tire, speed and a slipping converter."""

ASTRAY = 0.02
"""How often an engine speed tells nothing: driven out of gear, or another gear than was told."""

MOVES_FROM = 0.08
"""Spread of ln(speed), 5 to 95%, from which the lines tell the unit: at one speed some gear of an engine fits any."""

BY_ENGINE = 3.0
"""Log odds against all other units from which one is told by an engine speed."""

BY_FEW, BY_ALL = 25.0, 10.0
"""The same by the lines along few courses of speed, which cost up to 17 of a log weight, and along all. At one speed
the wrong unit led by up to 11 along either, so that few must do there (measured on 30 simulated drives)."""


def unit_told(recording: Recording, vehicle: Vehicle, gear: int | None, low_range: bool) -> Recording:
    """The recording with the unit of its own speed told by what turns; as it is where that is known, or not told.

    gear: held throughout, where known.
    """
    trace = recording.speed
    if trace is None or len(trace.open_units) < 2 or recording.kind != "acceleration":
        return recording
    if gear is not None and vehicle.gears and vehicle.has_engine and recording.rpm is not None:
        ratio = engine_ratio(vehicle, gear, low_range) / vehicle.tire.circumference_m
        unit = _best(_by_engine(trace, recording.rpm, ratio), BY_ENGINE)
        if unit is not None:
            return with_unit(recording, unit, f", told by the engine speed in gear {gear}")
    setting = Setting(vehicle, gear, low_range)
    moves = _moves(trace)
    if not moves and gear is None and vehicle.gears:
        return recording
    weights = _by_lines(recording, trace, setting, BRISK)
    unit = _best(weights, BY_FEW)
    if unit is None and moves and weights:
        near = max(weights.values()) - BY_FEW
        still = tuple((name, weight) for name, weight in trace.open_units if weights[name] > near)
        unit = _best(_by_lines(recording, replace(trace, open_units=still), setting, THOROUGH), BY_ALL)
    return recording if unit is None else with_unit(recording, unit, ", told by the lines of what turns")


def _best(weights: dict[str, float], clearly: float) -> str | None:
    """The unit that is so much likelier than the rest together, or None."""
    if len(weights) < 2:
        return None
    (first, most), *rest = sorted(weights.items(), key=lambda pair: -pair[1])
    return first if most - np.logaddexp.reduce([weight for _, weight in rest]) > clearly else None


def _in_unit(trace: Trace, unit: str) -> Trace:
    return replace(trace, values=trace.values * (speed_factor(unit) / speed_factor(trace.unit)), unit=unit)


def _by_engine(trace: Trace, rpm: Trace, turns_per_metre: float) -> dict[str, float]:
    """Log weight of each unit by an engine speed in one gear. turns_per_metre: of the engine."""
    engine = np.interp(trace.times_s - lag_of(trace), rpm.times_s, rpm.values)
    moves = (trace.values > 0.3 * trace.values.max()) & (engine > 0.0)
    ratio = (
        float(np.median(np.log(engine[moves] / (trace.values[moves] * turns_per_metre))))
        if moves.any()
        else 0.0
    )
    found = {}
    for unit, weight in trace.open_units:
        z = (ratio - np.log(speed_factor(unit) / speed_factor(trace.unit))) / RATIO_SD
        found[unit] = float(weight + np.logaddexp(-0.5 * z**2, np.log(ASTRAY)))
    return found


def _moves(trace: Trace) -> bool:
    """Whether the drive went through a range of speeds."""
    moving = trace.values[trace.values > 0.3 * trace.values.max()]
    return moving.size > 1 and log_spread(moving) >= MOVES_FROM


def _by_lines(recording: Recording, trace: Trace, setting: Setting, effort: Effort) -> dict[str, float]:
    """Log weight of each unit by the lines of one stretch; {} where it does not move."""
    vehicle = setting.vehicle
    candidates = candidates_of(vehicle, setting.low_range)
    part = _telling_stretch(recording, trace)
    signal = judged_signal(part, vehicle)
    floor = floor_of(signal)
    own = replace(trace, times_s=trace.times_s - part.start_s)
    found = {}
    for unit, weight in trace.open_units:
        clock, doubt = trace_clock(signal, _in_unit(own, unit), vehicle, lag_of(trace))
        if (clock.rate_hz > MOVING_HZ).mean() < LEAST_MOVING_SHARE:
            return {}
        piece = judge_stretch(
            signal, candidates, clock, doubt, setting, 0.0, None, effort=effort, floor=floor
        )  # fmt: skip
        found[unit] = weight + float(np.logaddexp.reduce(piece.judgement.log_class))
    return found


def _telling_stretch(recording: Recording, trace: Trace) -> Recording:
    """All of a short recording; of a longer one the stretch through the widest range of speeds."""
    if recording.duration_s <= PIECE_S:
        return recording

    def spread(begin_s: float) -> float:
        since_s = trace.times_s - recording.start_s - begin_s
        inside = trace.values[(since_s >= 0.0) & (since_s < PIECE_S)]
        return float(np.ptp(inside)) if inside.size else 0.0

    begin_s = max(np.arange(0.0, recording.duration_s - PIECE_S + 1.0, PIECE_S / 2.0), key=spread)
    return cut(recording, float(begin_s), float(begin_s) + PIECE_S, "")
