"""Speed logs whose stamps hold a date: with the month's name, in one piece, or in figures that leave the order open.

The stamps are written by the standard library's `strftime`, and its `timestamp` is the truth.
"""

import csv
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from vibeorder.errors import SpeedError, VibeorderError
from vibeorder.recording import read_recording
from vibeorder.speed.clocks import onto_clock
from vibeorder.speed.logged import read_speed_log

BEGUN = datetime(2030, 5, 6, 14, 3, 22, tzinfo=UTC)


def log_of(folder: Path, form: str, begun: datetime = BEGUN, seconds: int = 40) -> Path:
    """A speed log, one reading a second, its stamps written in `form`."""
    path = folder / "speed.csv"
    with path.open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["time", "speed (m/s)"])
        for i in range(seconds):
            rows.writerow([(begun + timedelta(seconds=i)).strftime(form), 20.0 + 0.1 * i])
    return path


def shake_of(folder: Path, form: str, begun: datetime = BEGUN) -> Path:
    """Ten seconds of a phone's log at 100 Hz that lies still but for a little noise."""
    path, noise = folder / "shake.csv", np.random.default_rng(1).normal(0.0, 0.05, (1000, 3))
    with path.open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["time", "ax (m/s^2)", "ay (m/s^2)", "az (m/s^2)"])
        for i, (x, y, z) in enumerate(noise):
            rows.writerow([(begun + timedelta(seconds=0.01 * i)).strftime(form), x, y, 9.81 + z])
    return path


@pytest.mark.parametrize(
    "form",
    [
        "%d-%b-%Y %H:%M:%S",
        "%d-%b-%y %H:%M:%S",
        "%d.%b.%Y %H:%M:%S",
        "%d %B %Y %H:%M:%S",
        "%d %b %Y, %H:%M:%S",
        "%b %d %Y %H:%M:%S",
        "%B %d, %Y %I:%M:%S %p",
        "%b %d, %Y at %H:%M:%S",
        "%Y-%b-%d %H:%M:%S",
        "%Y%m%d %H:%M:%S",
        "%Y%m%dT%H%M%SZ",  # ISO 8601, basic format
        "%a, %d %b %Y %H:%M:%S GMT",  # RFC 5322, section 3.3
        "%a, %d %b %Y %H:%M:%S +0000",
        "%a %b %d %H:%M:%S %Y",  # asctime, ISO/IEC 9899, 7.27.3.1
        "%a %b %d %H:%M:%S UTC %Y",
    ],
)
def test_a_date_with_its_month_spelled_out_or_in_one_piece_is_read(tmp_path: Path, form: str) -> None:
    trace = read_speed_log(log_of(tmp_path, form))
    assert trace.epoch_s == BEGUN.timestamp()
    assert trace.date_doubt_s == 0.0
    np.testing.assert_allclose(trace.times_s, np.arange(40))
    np.testing.assert_allclose(trace.values, 20.0 + 0.1 * np.arange(40))


def test_every_month_is_known_by_its_short_and_its_whole_name(tmp_path: Path) -> None:
    for month in range(1, 13):
        begun = BEGUN.replace(month=month)
        for form in ("%d-%b-%Y %H:%M:%S", "%B %d %Y %H:%M:%S"):
            assert read_speed_log(log_of(tmp_path, form, begun)).epoch_s == begun.timestamp()


def test_a_zone_that_is_not_known_is_refused_rather_than_taken_for_utc(tmp_path: Path) -> None:
    with pytest.raises(VibeorderError):
        read_speed_log(log_of(tmp_path, "%a %b %d %H:%M:%S EDT %Y"))


def test_a_date_in_a_column_of_its_own_leaves_the_clock_beside_it_readable(tmp_path: Path) -> None:
    path = log_of(tmp_path, "%d-%b-%Y %H:%M:%S")
    path.write_text(path.read_text().replace("time,", "date,time,").replace("2030 ", "2030,"))
    np.testing.assert_allclose(read_speed_log(path).times_s, np.arange(40))


@pytest.mark.parametrize("form", ["%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S"])
def test_a_date_that_changes_at_midnight_tells_day_from_month(tmp_path: Path, form: str) -> None:
    begun = BEGUN.replace(hour=23, minute=59, second=45)
    trace = read_speed_log(log_of(tmp_path, form, begun))
    assert trace.epoch_s == begun.timestamp()
    assert trace.date_doubt_s == 0.0
    np.testing.assert_allclose(trace.times_s, np.arange(40))


@pytest.mark.parametrize("form", ["%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S"])
def test_an_open_order_of_day_and_month_is_settled_by_the_recording(tmp_path: Path, form: str) -> None:
    begun = BEGUN - timedelta(seconds=7)
    log = read_speed_log(log_of(tmp_path, form, begun))
    assert log.epoch_s is not None and log.date_doubt_s != 0.0
    assert begun.timestamp() in (log.epoch_s, log.epoch_s + log.date_doubt_s)
    dated = read_recording(shake_of(tmp_path, "%Y-%m-%d %H:%M:%S.%f"))
    assert onto_clock(log, dated).times_s[0] == pytest.approx(-7.0, abs=1e-3)
    for other in ("%m/%d/%Y %H:%M:%S.%f", "%d/%m/%Y %H:%M:%S.%f"):
        open_too = read_recording(shake_of(tmp_path, other))
        assert onto_clock(log, open_too).times_s[0] == pytest.approx(-7.0, abs=1e-3)
        assert any("which its figures do not tell" in said for said in open_too.history)


def test_a_log_of_another_day_is_still_refused(tmp_path: Path) -> None:
    log = read_speed_log(log_of(tmp_path, "%m/%d/%Y %H:%M:%S", BEGUN.replace(day=7)))
    dated = read_recording(shake_of(tmp_path, "%Y-%m-%d %H:%M:%S.%f"))
    with pytest.raises(SpeedError, match="do not overlap by their stamps"):
        onto_clock(log, dated)
