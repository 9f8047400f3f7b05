"""A shake strong enough to be felt, in a recording in which no part is found at fault: nothing in the profile makes it.

"Nothing that turns" would be said of it with all the certainty with which the parts are ruled out, and they are ruled
out as typed in, at the speed and in the gear that were given.
"""

from collections.abc import Sequence

import numpy as np

from vibeorder.diagnosis.amplitudes import COMPLAINT_FROM_MPS2
from vibeorder.diagnosis.analyse import Piece
from vibeorder.diagnosis.judge import Unowned
from vibeorder.diagnosis.posterior import Posterior
from vibeorder.diagnosis.result import LineSeen
from vibeorder.diagnosis.scan import usable
from vibeorder.diagnosis.signal import Signal
from vibeorder.diagnosis.wrong_vehicle import given_back

__all__ = ["with_unexplained"]

CLEAR_DB, CLEAR_STEADY_DB = 10.0, 3.0
"""How far over the noise such a line stands in the spectrum of the whole drive; where the speed changes the body's own
bumps are nearly as narrow as a line, at a held one a part's line is as wide as the speed wanders."""

UNEXPLAINED_SHARE = 0.5
"""How often such a line is of a listed part after all, the profile, the gear or the speed being wrong (a judgement, no
source)."""

UNOWNED_REACH = 0.05
"""How near, in ln(frequency), the peaks of a band of noise lie to where it was read."""

ON_JOINTS_HZ = 0.4
"""A line this near one of the joints of the road is theirs."""


def with_unexplained(
    lines: Sequence[LineSeen],
    piece: Piece,
    posterior: Posterior,
    steady: bool,
    signal: Signal,
    unowned: Unowned | None = None,
) -> tuple[LineSeen | None, Posterior]:
    """The strongest line of the recording where it is as strong as a complaint and at no part's rate, else None; and
    the probabilities beside it, of which a share goes back to what they were before the recording.

    lines: the dominant ones, named or not. Where a part is likelier than nothing, it is what is talked of. steady:
    whether one speed was held. unowned: of nothing that turns, or None: that explains what lies there.
    """
    if unowned is not None:
        lines = [one for one in lines if abs(np.log(one.frequency_hz / unowned.frequency_hz)) > UNOWNED_REACH]
    line = max(lines, key=lambda one: one.amplitude, default=None)
    if line is None or line.name or signal.relative or posterior.nothing < 0.5:
        return None, posterior
    if not bool(usable(np.array([line.frequency_hz]), signal.rate_hz)[0]):
        return None, posterior  # no part was read there, so that none is ruled out
    strong = line.amplitude >= np.sqrt(2.0) * COMPLAINT_FROM_MPS2 * signal.ride
    clear = line.snr_db >= (CLEAR_STEADY_DB if steady else CLEAR_DB)
    if not strong or not clear or _of_joints(line, piece):
        return None, posterior
    return line, given_back(posterior, UNEXPLAINED_SHARE, piece.judgement.log_prior)


def _of_joints(line: LineSeen, piece: Piece) -> bool:
    """Whether the joints of the road may make the line at the usual rate of the wheels."""
    joints = piece.judgement.hypotheses[0].scan.joints
    at = joints.orders[joints.shows] * float(np.median(piece.clock.rate_hz))
    return bool((np.abs(at - line.frequency_hz) < ON_JOINTS_HZ).any())
