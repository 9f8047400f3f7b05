"""Reading: a file in, a Recording out (samples on a uniform time base, and what was mended).

`read_recording` is the door for the shake. The pieces of a text log (`read_table`, `find_stamps`,
`find_speed`, `speed_trace`) serve the speed room, which reads logs of another device. `sound_of` and `marks_of`
give what a recording of our own recorder holds beside the shake.
"""

from vibeorder.recording.ahead import Reader, read_ahead, read_apart
from vibeorder.recording.besides import TOP_SPEED_MPS, find_speed, speed_trace
from vibeorder.recording.jsonlog import recognise as is_json
from vibeorder.recording.jsonlog import table_from_json
from vibeorder.recording.model import Quality, Recording, Trace
from vibeorder.recording.options import ReadOptions, typed_options
from vibeorder.recording.ourfile import marks_of, sound_beside, sound_of, steps_of, told_how_heard
from vibeorder.recording.reading import READERS, read_recording
from vibeorder.recording.scale import speed_factor
from vibeorder.recording.stamps import Stamps, find_stamps, words_of
from vibeorder.recording.table import Table, read_table

__all__ = [
    "READERS",
    "TOP_SPEED_MPS",
    "Quality",
    "ReadOptions",
    "Reader",
    "Recording",
    "Stamps",
    "Table",
    "Trace",
    "find_speed",
    "find_stamps",
    "is_json",
    "marks_of",
    "read_ahead",
    "read_apart",
    "read_recording",
    "read_table",
    "sound_beside",
    "sound_of",
    "speed_factor",
    "speed_trace",
    "steps_of",
    "table_from_json",
    "told_how_heard",
    "typed_options",
    "words_of",
]
