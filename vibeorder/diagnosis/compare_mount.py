"""Was it the same sensor in the same place? Gravity and road noise as witnesses of two drives."""

import numpy as np
from numpy.typing import NDArray

from vibeorder.diagnosis.compare_levels import noise_bands
from vibeorder.recording.model import Recording
from vibeorder.units import STANDARD_GRAVITY

__all__ = ["alike", "unlike_sensors"]

FloatArray = NDArray[np.float64]

GRAVITY_RANGE = (0.85, 1.15)
TURNED_DEG = 20.0
NOISE_WARN_DB, NOISE_REFUSE_DB = 6.0, 12.0
SHAPE_WARN_DB, SHAPE_REFUSE_DB = 7.0, 14.0
"""Road noise as a witness: another mount, place or road changes its level and its shape over the octaves.
Mean-square levels; common practice, no source."""


def unlike_sensors(before: Recording, after: Recording) -> str:
    """Why levels of these two recordings cannot be compared at all, or ''."""
    if before.kind != after.kind:
        return "one recording is sound and the other acceleration; record both the same way"
    if "relative" in (before.unit, after.unit):
        return (
            "a recording has no unit, so its level means nothing beside another's; record with an "
            "accelerometer app that writes g or m/s² (or give --unit)"
        )
    channels = before.samples.shape[0], after.samples.shape[0]
    if channels[0] != channels[1]:
        return (
            f"one recording has {channels[0]} axes and the other {channels[1]}; record all three both times"
        )
    return ""


def alike(
    before: Recording, after: Recording, before_s: FloatArray, after_s: FloatArray
) -> tuple[str, tuple[str, ...]]:
    """Whether sensor and mount look the same: (why not to compare, or ''; what to warn of)."""
    warnings = []
    turned = _turned_deg(before, after)
    if turned is not None and turned > TURNED_DEG:
        warnings.append(
            f"The sensor lay otherwise the second time, turned by {turned:.0f} degrees; all axes together "
            "are compared, but another place or mount would change the level too."
        )
    one, two = noise_bands(before, before_s), noise_bands(after, after_s)
    both = sorted(set(one) & set(two))
    if not both:
        return "", tuple(warnings)
    change = np.array([10.0 * np.log10(max(two[b], 1e-20) / max(one[b], 1e-20)) for b in both])
    level = float(np.median(change))
    shape = float(np.ptp(change))
    said = (
        f"road noise beside the orders is {abs(level):.0f} dB {'stronger' if level > 0 else 'weaker'} after"
    )
    if abs(level) > NOISE_REFUSE_DB or shape > SHAPE_REFUSE_DB:
        return (
            f"{said}, and differs by up to {shape:.0f} dB more from one octave to the next: another mount, "
            "place or road; put the phone where it was and drive the same road again", tuple(warnings),
        )  # fmt: skip
    if abs(level) > NOISE_WARN_DB:
        warnings.append(f"The {said}: another road, or another mount.")
    if shape > SHAPE_WARN_DB:
        warnings.append(
            f"The road noise changed its shape by {shape:.0f} dB over the octaves: check that the phone was "
            "mounted as before."
        )
    return "", tuple(warnings)


def _turned_deg(before: Recording, after: Recording) -> float | None:
    """Angle between the directions of gravity in the two recordings; None where it is not in them."""
    means = []
    for recording in (before, after):
        if recording.samples.shape[0] != 3 or not recording.valid.any():
            return None
        mean = recording.samples[:, recording.valid].mean(axis=1)
        size = float(np.linalg.norm(mean)) / STANDARD_GRAVITY
        if not GRAVITY_RANGE[0] < size < GRAVITY_RANGE[1]:
            return None
        means.append(mean / np.linalg.norm(mean))
    return float(np.degrees(np.arccos(np.clip(means[0] @ means[1], -1.0, 1.0))))
