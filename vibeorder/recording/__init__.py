"""Reading: a file in, a Recording out (samples on a uniform time base, and what was mended)."""

from vibeorder.recording.model import Quality, Recording, Trace
from vibeorder.recording.options import ReadOptions
from vibeorder.recording.reading import READERS, read_recording

__all__ = ["READERS", "Quality", "ReadOptions", "Recording", "Trace", "read_recording"]
