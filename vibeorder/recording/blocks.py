"""Sound arriving in blocks -> one Recording: decimated, clipping counted, channels said."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.decimate import TARGET_RATE_HZ, Decimator, decimation_factor
from vibeorder.recording.model import Quality, Recording
from vibeorder.recording.options import ReadOptions
from vibeorder.recording.scale import unit_factor

__all__ = ["MAX_CHANNELS", "recording_from_blocks"]

MAX_CHANNELS = 8
# Three hours of mono at 2 kHz. Longer or wider sound goes to 1 kHz so that memory stays flat.
COMFORTABLE_VALUES = 22_000_000
MAX_HOURS = 12.0
# Sensors written as sound may be slow, measuring cards fast; a filter for a rate far beyond fills the memory.
SLOWEST_HZ, FASTEST_HZ = 1.0, 5e6
# 16-bit full scale, less two steps: a converter that limits rests there.
CLIP_LEVEL = 1.0 - 2.5 / 32768.0


def recording_from_blocks(
    blocks: Iterator[NDArray[np.float32]],
    rate_hz: float,
    channel_count: int,
    expected_frames: int | None,
    source: str,
    options: ReadOptions,
) -> Recording:
    """Streams blocks [shape (channels, n), full scale 1] into a Recording at about 2 kHz.

    kind is "audio" and unit "relative", unless `options.unit` says what full scale 1 means.
    Raises RecordingError for sound that is empty, constant, longer than 12 hours, or of a rate that cannot be.
    """
    if not SLOWEST_HZ <= rate_hz <= FASTEST_HZ:
        raise RecordingError(
            f"{source} says a rate of {rate_hz:.3g} samples a second, which no recorder has: its head is damaged; "
            "copy it again"
        )
    used = min(channel_count, MAX_CHANNELS)
    target = TARGET_RATE_HZ
    if expected_frames and expected_frames / rate_hz * target * used > COMFORTABLE_VALUES:
        target /= 2.0
    factor = decimation_factor(rate_hz, target)
    samples, frames, clipped, broken = _gather(blocks, Decimator(factor, used), used, rate_hz, source)
    _refuse_silence(samples, frames, source)
    history = _history(rate_hz, channel_count, factor, expected_frames, (frames, clipped, broken))
    unit, kind = "relative", "audio"
    if options.unit is not None:
        scale = unit_factor(options.unit)
        if scale is not None:
            samples *= scale
            unit, kind = "m/s^2", "acceleration"
            history.append(f"full scale 1 is taken as 1 {options.unit}, as said by --unit")
    return Recording(
        samples=samples,
        rate_hz=rate_hz / factor,
        unit=unit,  # type: ignore[arg-type]
        kind=kind,  # type: ignore[arg-type]
        channels=tuple(f"channel {i + 1}" for i in range(used)) if used > 1 else ("sound",),
        valid=np.ones(samples.shape[1], dtype=np.bool_),
        quality=Quality(rate_hz, rate_hz, clipped=clipped, repaired=broken),
        source=source,
        history=tuple(history),
    )


def _history(
    rate_hz: float, channel_count: int, factor: int, expected_frames: int | None, counts: tuple[int, int, int]
) -> list[str]:
    """What was found; counts: frames read, samples clipped, samples that were no numbers."""
    frames, clipped, broken = counts
    used = min(channel_count, MAX_CHANNELS)
    history = [f"{frames / rate_hz:.1f} s of sound at {rate_hz:g} Hz, {channel_count} channel(s)"]
    if channel_count > used:
        history.append(f"channels 1 to {used} of {channel_count} are used; the others are left out")
    if expected_frames and frames < 0.98 * expected_frames:
        history.append(
            f"the file ends after {frames / rate_hz:.1f} s although its header promises "
            f"{expected_frames / rate_hz:.1f} s: what is there is used"
        )
    if factor > 1:
        history.append(
            f"brought down to {rate_hz / factor:.1f} Hz behind a filter: nothing above "
            f"{0.4 * rate_hz / factor:.0f} Hz is kept"
        )
    if broken:
        history.append(f"{broken} samples that were not numbers are set to zero")
    if clipped:
        history.append(
            f"{clipped} samples ({clipped / (frames * used):.2%}) rest at full scale: the sound is clipped"
        )
    return history


def _gather(
    blocks: Iterator[NDArray[np.float32]], decimator: Decimator, used: int, rate_hz: float, source: str
) -> tuple[NDArray[np.float64], int, int, int]:
    """All blocks through the decimator: samples, frames read, clipped samples, samples not numbers."""
    pieces: list[NDArray[np.float32]] = []
    frames = clipped = broken = 0
    for raw in blocks:
        block = raw[:used]
        frames += block.shape[1]
        if frames > MAX_HOURS * 3600 * rate_hz:
            raise RecordingError(
                f"{source} is longer than {MAX_HOURS:g} hours; cut out the drive that shakes"
            )
        loud = np.abs(block)
        finite = bool(np.isfinite(block).all())
        if not finite:
            bad = ~np.isfinite(block)
            broken += int(bad.sum())
            block = np.where(bad, np.float32(0), block)
        if block.size and np.nanmax(loud) >= CLIP_LEVEL:
            at_top = loud >= CLIP_LEVEL
            # One sample at full scale is a loud peak; two in a row are a flat top.
            clipped += int((at_top[:, 1:] & at_top[:, :-1]).sum())
        pieces.append(decimator.push(block))
    pieces.append(decimator.finish())
    total = sum(piece.shape[1] for piece in pieces)
    samples = np.empty((used, total))
    at = 0
    for piece in pieces:
        samples[:, at : at + piece.shape[1]] = piece
        at += piece.shape[1]
    return samples, frames, clipped, broken


def _refuse_silence(samples: NDArray[np.float64], frames: int, source: str) -> None:
    if frames < 2 or samples.shape[1] < 2:
        raise RecordingError(f"{source} holds {frames} sound samples: too few to be a recording")
    if float(np.ptp(samples, axis=1).max()) < 1e-9:
        raise RecordingError(f"{source} is silent from end to end: was the microphone muted?")
