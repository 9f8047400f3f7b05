"""From a judged recording to what still stands, as the choice of the next drive takes it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.analyse import Piece
from vibeorder.diagnosis.candidates import Candidate
from vibeorder.diagnosis.drive_model import NOISE_BANDWIDTH_HZ, NOTHING, USUAL_NOISE, Standing
from vibeorder.diagnosis.gears import NOT_LOCKED
from vibeorder.diagnosis.judge import Hypothesis
from vibeorder.diagnosis.nextdrive import next_drive_of
from vibeorder.diagnosis.posterior import Kind
from vibeorder.diagnosis.result import NextDrive, SpeedFit, Suspect
from vibeorder.vehicle import Vehicle, engine_ratio

__all__ = ["next_drive_from", "standing_of"]

FloatArray = NDArray[np.float64]

NO_LINE_DB = -19.9
"""A reading at the bottom of the scale found no line, so nothing beside it either."""

JUST_MISSED = 0.5
"""A line never seen may be as strong as this share of the noise in a block: more would have been seen."""

FAR_SCALE = 0.12
"""Measured over nominal rates further off than this, in ln, are another part's line."""

SAME_LINE = 0.03
"""Suspects that the recording cannot tell apart and whose lines were read this near, in ln(frequency), on courses of
their own have one line."""

SWEPT = 1.06
"""Ratio of speeds, 5 to 95%, from which a line that follows its part is no fixed resonance."""


def next_drive_from(
    suspects: Sequence[Suspect],
    nothing: float,
    piece: Piece,
    vehicle: Vehicle,
    speed: SpeedFit,
    kind: Kind,
    sample_rate_hz: float,
    low_range: bool = False,
) -> NextDrive | None:
    """The next drive for a judged recording; None where nothing relevant is left to settle."""
    standing = standing_of(suspects, nothing, piece, vehicle, speed, kind, low_range)
    return next_drive_of(
        standing,
        vehicle,
        speed.speed_mps,
        speed.unit,
        kind=kind,
        sample_rate_hz=sample_rate_hz,
        low_range=low_range,
    )


def standing_of(
    suspects: Sequence[Suspect],
    nothing: float,
    piece: Piece,
    vehicle: Vehicle,
    speed: SpeedFit,
    kind: Kind,
    low_range: bool = False,
) -> tuple[Standing, ...]:
    """Every suspect with what the recording says of its line, and 'nothing' last."""
    moving = speed.speed_mps[speed.speed_mps > 2.0]
    at_mps = float(np.median(moving)) if moving.size else 25.0
    wheel_hz = at_mps / vehicle.tire.circumference_m if kind != "inferred" else float("nan")
    noise = _noise_of(suspects)
    lead = next((one for one in suspects if one.frequency_hz is not None), None)
    found = []
    for suspect in suspects:
        index = next(
            i for i, c in enumerate(piece.judgement.candidates) if c.key == (suspect.part, suspect.order)
        )
        candidate = piece.judgement.candidates[index]
        measured = _one_line(suspect, lead)
        turns = candidate.multiple
        if candidate.basis == "engine":
            turns *= _engine_per_wheel(piece.judgement.best_for(index), vehicle, low_range)
        scale = 1.0 if measured is None else _scale(measured, turns * wheel_hz)
        found.append(_standing(suspect, candidate, measured or suspect.expected_hz, scale, noise))
    return (*found, _nothing(found, nothing, speed))


def _one_line(suspect: Suspect, lead: Suspect | None) -> float | None:
    """Where a suspect's line was measured: where it is the leading one's line under another name, there."""
    own = suspect.frequency_hz
    if own is None or lead is None or lead.frequency_hz is None:
        return own
    twins = (suspect.part, suspect.order) in lead.indistinct_from
    near = abs(np.log(own / lead.frequency_hz)) < SAME_LINE
    return lead.frequency_hz if twins and near else own


def _standing(
    suspect: Suspect, candidate: Candidate, hz: float | None, scale: float, noise: "_Noise"
) -> Standing:
    density = noise.at(hz)
    missed = JUST_MISSED * density * float(np.sqrt(NOISE_BANDWIDTH_HZ))
    return Standing(
        key=(suspect.part, suspect.order),
        label=suspect.label,
        probability=suspect.probability,
        basis=candidate.basis,
        multiple=candidate.multiple,
        growth=candidate.source.growth,
        strength_rms=max(suspect.amplitude_rms, missed),
        noise=density,
        frequency_hz=hz,
        scale=scale,
        slack=candidate.slack,
        check=suspect.first_check,
    )


def _nothing(found: Sequence[Standing], probability: float, speed: SpeedFit) -> Standing:
    """'Nothing that turns is at fault': the likeliest suspect's line is there, and will be again.

    At a held speed it may be a fixed resonance; where it followed its part through a range of speeds it is that
    part's, only too weak for a fault, and no drive would show it otherwise.
    """
    lead = max(found, key=lambda one: one.probability, default=None)
    if lead is None:
        return Standing(NOTHING, "nothing that turns", probability, "fixed", 1.0, 0.0, 0.0, USUAL_NOISE)
    low, high = np.percentile(speed.speed_mps, [5, 95])
    followed = high > SWEPT * max(low, 0.1)
    return Standing(
        NOTHING,
        "nothing that turns",
        probability,
        lead.basis if followed else "fixed",
        lead.multiple,
        lead.growth if followed else 0.0,
        lead.strength_rms if lead.frequency_hz is not None else 0.0,
        lead.noise,
        lead.frequency_hz,
        lead.scale,
        lead.slack,
    )


@dataclass(frozen=True, slots=True)
class _Noise:
    """Noise density at a frequency: that measured beside the nearest line."""

    hz: FloatArray
    density: FloatArray

    def at(self, hz: float | None) -> float:
        if self.hz.size == 0:
            return USUAL_NOISE
        if hz is None:
            return float(np.median(self.density))
        return float(self.density[np.argmin(np.abs(np.log(self.hz / hz)))])


def _noise_of(suspects: Sequence[Suspect]) -> _Noise:
    """Line power over its signal to noise ratio in a block is the noise in its bandwidth."""
    measured = [
        (hz, s.amplitude_rms / 10.0 ** (s.snr_db / 20.0) / NOISE_BANDWIDTH_HZ**0.5)
        for s in suspects
        if (hz := s.frequency_hz or s.expected_hz) is not None
        and s.snr_db > NO_LINE_DB
        and s.amplitude_rms > 0.0
    ]
    return _Noise(np.array([hz for hz, _ in measured]), np.array([density for _, density in measured]))


def _engine_per_wheel(hypothesis: Hypothesis, vehicle: Vehicle, low_range: bool) -> float:
    """Engine turns per wheel turn in the gear that held longest; nan where none did."""
    if hypothesis.gears is None:
        return float("nan")
    held = hypothesis.gears.gear[hypothesis.gears.gear != NOT_LOCKED]
    if held.size == 0:
        return float("nan")
    gears, counts = np.unique(held, return_counts=True)
    return engine_ratio(vehicle, int(gears[counts.argmax()]), low_range)


def _scale(measured_hz: float, nominal_hz: float) -> float:
    """Measured over nominal rate; 1 where they are too far apart to be the same line, or the gear is not known."""
    if not np.isfinite(nominal_hz) or nominal_hz <= 0.0 or abs(np.log(measured_hz / nominal_hz)) > FAR_SCALE:
        return 1.0
    return measured_hz / nominal_hz
