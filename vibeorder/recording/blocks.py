"""Sound arriving in blocks -> one Recording: decimated, clipping counted, channels said."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording.decimate import TARGET_RATE_HZ, Decimator, decimation_factor
from vibeorder.recording.model import Quality, Recording
from vibeorder.recording.options import ReadOptions
from vibeorder.recording.scale import unit_factor
from vibeorder.recording.store import SampleStore
from vibeorder.units import counted, show_unit

__all__ = ["MAX_CHANNELS", "recording_from_blocks"]

MAX_CHANNELS = 8
# Three hours of mono at 2 kHz. Longer or wider sound goes to 1 kHz, which still holds every order of the road.
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
    scale = None if options.unit is None else unit_factor(options.unit)
    gathered = _Gathered(Decimator(factor, used), used, 1.0 if scale is None else scale)
    samples = gathered.all_of(blocks, rate_hz, source)
    history = _history(rate_hz, channel_count, factor, expected_frames, gathered)
    if scale is not None:
        history.append(f"full scale 1 is taken as 1 {show_unit(options.unit or '')}, as said by --unit")
    if unused := options.of_tables():
        history.append(f"{' and '.join(unused)} not used: a sound file has no columns and says its own rate")
    return Recording(
        samples=samples,
        rate_hz=rate_hz / factor,
        unit="relative" if scale is None else "m/s^2",
        kind="audio" if scale is None else "acceleration",
        channels=tuple(f"channel {i + 1}" for i in range(used)) if used > 1 else ("sound",),
        valid=np.broadcast_to(np.True_, samples.shape[1]),
        quality=Quality(rate_hz, rate_hz, clipped=gathered.clipped, repaired=gathered.broken),
        source=source,
        history=tuple(history),
    )


class _Gathered:
    """Sound through the decimator, block by block, with what was found on the way.

    frames: read; clipped: samples of flat tops; broken: samples that were no numbers.
    """

    def __init__(self, decimator: Decimator, channels: int, scale: float) -> None:
        self._decimator, self._scale = decimator, np.float32(scale)
        self._store = SampleStore(channels)
        self._channels = channels
        self._low = np.full(channels, np.inf)
        self._high = np.full(channels, -np.inf)
        self.frames = self.clipped = self.broken = 0

    def all_of(
        self, blocks: Iterator[NDArray[np.float32]], rate_hz: float, source: str
    ) -> NDArray[np.float32]:
        """Every block read; RecordingError for sound that is too long, too short or silent."""
        for block in blocks:
            self.frames += block.shape[1]
            if self.frames > MAX_HOURS * 3600 * rate_hz:
                raise RecordingError(
                    f"{source} is longer than {MAX_HOURS:g} hours; cut out the drive that shakes"
                )
            self._keep(self._decimator.push(self._mended(block[: self._channels])))
        self._keep(self._decimator.finish())
        samples = self._store.finish()
        if self.frames < 2 or samples.shape[1] < 2:
            raise RecordingError(f"{source} holds {self.frames} sound samples: too few to be a recording")
        if float((self._high - self._low).max()) < 1e-9:
            raise RecordingError(f"{source} is silent from end to end: was the microphone muted?")
        return samples

    def _mended(self, block: NDArray[np.float32]) -> NDArray[np.float32]:
        """The block with what is no number set to zero; flat tops are counted."""
        if not block.size:
            return block
        largest = max(float(block.max()), -float(block.min()))  # nan where any sample is
        if not np.isfinite(largest):
            bad = ~np.isfinite(block)
            self.broken += int(bad.sum())
            block = np.where(bad, np.float32(0), block)
            largest = float(np.abs(block).max())
        if largest >= CLIP_LEVEL:
            at_top = np.abs(block) >= CLIP_LEVEL
            # One sample at full scale is a loud peak; two in a row are a flat top.
            self.clipped += int((at_top[:, 1:] & at_top[:, :-1]).sum())
        return block

    def _keep(self, piece: NDArray[np.float32]) -> None:
        if piece.shape[1]:
            self._low = np.minimum(self._low, piece.min(axis=1))
            self._high = np.maximum(self._high, piece.max(axis=1))
            self._store.push(piece * self._scale)


def _history(
    rate_hz: float, channel_count: int, factor: int, expected_frames: int | None, gathered: _Gathered
) -> list[str]:
    """What was found."""
    frames, clipped, broken = gathered.frames, gathered.clipped, gathered.broken
    used = min(channel_count, MAX_CHANNELS)
    history = [f"{frames / rate_hz:.1f} s of sound at {rate_hz:g} Hz, {counted(channel_count, 'channel')}"]
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
