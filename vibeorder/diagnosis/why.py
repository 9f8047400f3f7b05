"""What speaks for and against the first suspects and nothing: each number computed from judgement and recording.

Rate and movement are in why_movement, gear changes in why_shift, strength and orders in why_strength, speed in
why_speed, throttle in why_load, prior and rivals in why_rivals. A line is followed along the fitted course by the
Vold-Kalman tracker (why_track), and sought without that course in a plain spectrogram (why_plain).
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.analyse import Piece, shake_rms
from vibeorder.diagnosis.explanation import Explanation, Finding, Said, parted
from vibeorder.diagnosis.groups import group_suspects
from vibeorder.diagnosis.posterior import TEMPERATURE, prior_in_use
from vibeorder.diagnosis.posterior import Kind as SpeedKind
from vibeorder.diagnosis.result import LineSeen, SpeedFit, Suspect
from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.why_case import Case, case_of
from vibeorder.diagnosis.why_load import load_said
from vibeorder.diagnosis.why_movement import movement_said, rate_said, track_seen
from vibeorder.diagnosis.why_plain import LEAST_SPAN
from vibeorder.diagnosis.why_rivals import Heard, courses_said, nothing_explained, prior_said, rival_said
from vibeorder.diagnosis.why_shift import shift_said
from vibeorder.diagnosis.why_speed import speed_curve, speed_said
from vibeorder.diagnosis.why_strength import (
    folding_said,
    follow_case,
    harmonics_said,
    line_said,
    orders_of,
    own_weights,
    strength_said,
)
from vibeorder.recording.model import Trace
from vibeorder.speed.given import SpeedGiven
from vibeorder.vehicle import Vehicle

__all__ = ["explain"]

FloatArray = NDArray[np.float64]

FIRST = 3
"""Suspects explained; from the fourth on nobody unbolts anything."""


def explain(
    signal: Signal,
    piece: Piece,
    scaled: FloatArray,
    suspects: Sequence[Suspect],
    nothing: float,
    lines: Sequence[LineSeen],
    speed: SpeedFit,
    vehicle: Vehicle,
    kind: SpeedKind,
    given: SpeedGiven | Trace | None,
    first: int = FIRST,
) -> tuple[Explanation, ...]:
    """An explanation of each of the `first` suspects as the tables rank them, and of nothing (last).

    piece: the stretch that speaks most for what came out. scaled: tempered log weights of the candidates and of
    nothing (last), as the probabilities have them. suspects: most probable first.
    """
    shake = shake_rms(_part(signal, piece))
    candidates, log_prior = piece.judgement.candidates, prior_in_use(piece.judgement.log_prior, kind)
    ranked = [one for group in group_suspects(suspects) for one in group.members]
    out = []
    for suspect in ranked[:first]:
        members = [i for i, c in enumerate(candidates) if c.key == (suspect.part, suspect.order)]
        index = max(members, key=lambda i: float(scaled[i]))
        case = case_of(signal, piece, suspect, index, vehicle, speed.unit, _source(kind, given))
        prior = prior_said(log_prior, members)
        if case is None:
            out.append(_unjudged(suspect, prior))
        else:
            out.append(_explained(case, piece, scaled, members, TEMPERATURE[kind], prior))
    heard = Heard(piece.judgement, scaled, shake, signal.relative)
    out.append(nothing_explained(heard, suspects, nothing, lines if _steady(speed) else None))
    return tuple(out)


def _explained(
    case: Case, piece: Piece, scaled: FloatArray, members: Sequence[int], temperature: float, prior: Said
) -> Explanation:
    log_odds = float(np.logaddexp.reduce(scaled[list(members)]) - scaled[-1])
    weights = own_weights(case)
    strength, higher = (None, None) if weights is None else (w / temperature for w in weights)
    orders = orders_of(case)
    followed = follow_case(case, case.candidate.order)
    curve = speed_curve(case, followed)
    said: list[Said] = [
        line_said(case),
        rate_said(case, piece.doubt.sd),
        movement_said(case),
        shift_said(case),
        strength_said(case, strength),
        harmonics_said(case, orders, higher),
        *speed_said(case, curve),
        load_said(case, curve),
        rival_said(piece.judgement, scaled, case.index, case.sensor_hz),
        prior,
        folding_said(case),
    ]
    if strength is not None and higher is not None:
        left = courses_said(log_odds - (prior[1].weight or 0.0) - strength - higher)
        said += [] if left is None else [left]
    suspect = case.suspect
    return Explanation(
        suspect.label,
        suspect.part,
        suspect.order,
        suspect.probability,
        suspect.unit,
        log_odds,
        *parted(said),
        track_seen(case),
        curve,
        orders,
    )


def _unjudged(suspect: Suspect, prior: Said) -> Explanation:
    """A suspect whose rate this recording does not give."""
    unknown = Finding("rate", "This part's rate is not known for this recording, so nothing could be read.")
    return Explanation(
        suspect.label,
        suspect.part,
        suspect.order,
        suspect.probability,
        suspect.unit,
        None,
        *parted((prior, (0, unknown))),
    )


def _source(kind: SpeedKind, given: SpeedGiven | Trace | None) -> str:
    """How the speed was known: a log, a speed that was said and held, or the lines themselves."""
    if isinstance(given, Trace):
        return "logged"
    held = isinstance(given, SpeedGiven) and given.steady
    return "said" if held and kind != "inferred" else "inferred"


def _steady(speed: SpeedFit) -> bool:
    low, high = np.percentile(speed.speed_mps, [5, 95])
    return bool(np.log(max(high, 0.1) / max(low, 0.1)) < LEAST_SPAN)


def _part(signal: Signal, piece: Piece) -> Signal:
    first = round(piece.start_s * signal.rate_hz)
    last = first + piece.clock.turns.size
    return signal.of(signal.samples[:, first:last], signal.valid[first:last])
