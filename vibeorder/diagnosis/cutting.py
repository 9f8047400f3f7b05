"""A stretch of a recording as a recording of its own."""

from dataclasses import replace

import numpy as np

from vibeorder.recording.model import Recording

__all__ = ["cut"]


def cut(recording: Recording, begin_s: float, end_s: float, name: str) -> Recording:
    """A stretch of a recording, seconds from its first sample; its clock and its logs stay what they are."""
    a = max(0, round(begin_s * recording.rate_hz))
    b = min(recording.samples.shape[1], round(end_s * recording.rate_hz))
    return replace(
        recording,
        samples=np.asarray(recording.samples[:, a:b]),
        valid=recording.valid[a:b],
        start_s=recording.start_s + a / recording.rate_hz,
        source=f"{recording.source}, {name}" if name else recording.source,
    )
