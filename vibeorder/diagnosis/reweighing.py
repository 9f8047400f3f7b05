"""A stretch judged again as another vehicle: how much better a corrected profile explains it."""

from dataclasses import replace

import numpy as np

from vibeorder.diagnosis.analyse import Piece, Setting, judge_stretch
from vibeorder.diagnosis.candidates import candidates_of
from vibeorder.diagnosis.propose import Effort
from vibeorder.diagnosis.signal import Signal
from vibeorder.vehicle import Vehicle

__all__ = ["log_weight", "reweighed"]


def log_weight(piece: Piece) -> float:
    """Log weight of all that the profile can say of a stretch, priors included."""
    return float(np.logaddexp.reduce(piece.judgement.log_class))


def reweighed(
    part: Signal, piece: Piece, vehicle: Vehicle, typed: Vehicle, setting: Setting, effort: Effort
) -> Piece:
    """The stretch judged as `vehicle` on the same speed; with less effort than it was, it can only come out low.

    part: the stretch's samples. setting: as it was judged, with engine speed at the stretch's own samples.
    """
    faster = typed.tire.circumference_m / vehicle.tire.circumference_m
    clock = replace(piece.clock, turns=piece.clock.turns * faster, rate_hz=piece.clock.rate_hz * faster)
    own = replace(setting, vehicle=vehicle)
    return judge_stretch(
        part, candidates_of(vehicle, setting.low_range), clock, piece.doubt, own, piece.start_s, setting.engine_hz,
        effort=effort, floor=piece.floor,
    )  # fmt: skip
