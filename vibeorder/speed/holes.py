"""Where a speed log has no readings: short holes are bridged, in longer ones nothing is judged."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vibeorder.recording import Recording, Trace

__all__ = ["BRIDGED_S", "judged_where_logged"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

BRIDGED_S = 5.0
"""A hole up to here is bridged by the smoothest course. A speed whose acceleration changes by 0.15 m/s^2 in a second is
in the middle of a hole of H seconds known to 0.15 sqrt(H^3 / 192) m/s (a twice integrated Wiener process held at both
ends): 0.12 m/s in 5 s, half a percent at 55 mph, as good as a logged speed is anyway; 0.6 m/s in 14 s."""

USUAL_STEPS = 3.0
"""A log that always comes so rarely has no hole: a step must be so many times the usual one."""

ENDS_S = 2.0
"""How long before the first and after the last reading the speed is taken to stay: 0.6 m/s at a gentle pull."""

LEAST_LEFT_S = 15.0


def judged_where_logged(recording: Recording, trace: Trace) -> Recording:
    """The recording without the seconds for which `trace`, brought onto its clock, has no speed; its history says so.

    They become a gap (`valid` False), as if nothing had been recorded. All stays where hardly anything would be left.
    """
    times_s = trace.times_s - (trace.lag_s or 0.0) - recording.start_s
    if times_s.size < 2:
        return recording
    steps = np.diff(times_s)
    usual_s = float(np.median(steps))
    wide, ends_s = steps > max(BRIDGED_S, USUAL_STEPS * usual_s), max(ENDS_S, usual_s)
    spans = [(a, b) for a, b in zip(times_s[:-1][wide], times_s[1:][wide], strict=True)]
    spans = [(-np.inf, times_s[0] - ends_s), *spans, (times_s[-1] + ends_s, np.inf)]
    total = recording.samples.shape[1]
    valid, lost = recording.valid.copy(), []
    for begin_s, end_s in spans:
        a, b = (
            int(np.clip(np.round(at * recording.rate_hz), 0, total))
            for at in np.clip([begin_s, end_s], -1e6, 1e6)
        )
        if valid[a:b].any():
            valid[a:b] = False
            lost.append(f"{a / recording.rate_hz:.0f} to {b / recording.rate_hz:.0f} s")
    if not lost or np.count_nonzero(valid) < LEAST_LEFT_S * recording.rate_hz:
        return recording
    said = f"speed log {trace.name}: no reading from {', '.join(lost)}; the recording is not judged there"
    return replace(recording, valid=valid, history=(*recording.history, said))
