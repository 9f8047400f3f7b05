"""A road speed in a file of its own: read in its unit, and brought onto the recording's clock."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibeorder.errors import VibeorderError
from vibeorder.recording import Quality, Recording, Trace
from vibeorder.recording.speedlog import onto_clock, read_speed_log


def recording(epoch_s: float | None) -> Recording:
    return Recording(
        np.zeros((1, 6000)), 100.0, "m/s^2", "acceleration", ("x",), np.ones(6000, bool),
        Quality(100.0, 100.0), "drive.csv", epoch_s=epoch_s,
    )  # fmt: skip


TRACE = Trace(
    np.array([0.0, 1.0, 2.0]), np.array([25.0, 25.5, 26.0]), "speed", "m/s", epoch_s=1_700_000_010.0
)


def test_absolute_stamps_settle_where_the_log_lies() -> None:
    moved = onto_clock(TRACE, recording(1_700_000_000.0))
    assert moved.times_s == pytest.approx([10.0, 11.0, 12.0])
    assert moved.epoch_s == 1_700_000_000.0
    assert moved.values is TRACE.values


@given(st.floats(0.0, 59.0))
def test_the_instant_of_a_reading_stays_the_same(later_s: float) -> None:
    epoch_s = 1_700_000_010.0 - later_s
    moved = onto_clock(TRACE, recording(epoch_s))
    assert moved.times_s + epoch_s == pytest.approx(TRACE.times_s + 1_700_000_010.0)


def test_without_absolute_stamps_both_start_together() -> None:
    assert onto_clock(TRACE, recording(None)) is TRACE
    loose = replace(TRACE, epoch_s=None)
    assert onto_clock(loose, recording(1_700_000_000.0)) is loose


def test_the_log_of_another_day_is_refused() -> None:
    for days in (-1, 1):
        with pytest.raises(VibeorderError, match="do not overlap"):
            onto_clock(TRACE, recording(1_700_000_000.0 + 86_400.0 * days))


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b"\x00\x01\x02\xff" * 100, "not a text log"),
        (b"<gpx><trk></trk></gpx>", "not a text log"),
        (b"time,altitude\n0,3\n1,4\n2,5\n", "no column holds a road speed"),
        (b"speed\n10\n10\n10\n", "no column of time"),
        (b"time,speed (m/s)\n0,-1\n1,-1\n2,-1\n", "no column holds a road speed"),
    ],
)
def test_a_log_that_cannot_serve_is_refused_with_its_name(tmp_path: Path, content: bytes, said: str) -> None:
    log = tmp_path / "gps.csv"
    log.write_bytes(content)
    with pytest.raises(VibeorderError, match=said) as caught:
        read_speed_log(log)
    assert "gps.csv" in str(caught.value)
    assert log.read_bytes() == content
