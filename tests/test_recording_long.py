"""A log that comes in sections is the same recording as one held at once: the reader is its own measure here.

Sections are made of a thousand rows, where the program takes a hundred thousand at least.
"""

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from vibeorder.errors import RecordingError
from vibeorder.recording import ReadOptions, Recording, read_recording, store, table

FloatArray = NDArray[np.float64]
RATE_HZ, SECONDS = 100.0, 62.0
ROWS = int(RATE_HZ * SECONDS)
HEAD = "time (s),ax (m/s^2),ay (m/s^2),az (m/s^2)"


def shake(times_s: FloatArray) -> FloatArray:
    """Three axes of lines below a quarter of the rate, on gravity [shape (rows, 3)]."""
    hz, phase = np.array([3.0, 11.0, 23.0]), np.array([0.3, 1.1, 2.0])
    waves = np.sin(2 * np.pi * hz * times_s[:, None] + phase)
    mixed = waves @ np.array([[0.3, 0.1, 0.2], [0.1, 0.4, 0.2], [0.2, 0.1, 0.3]])
    return np.asarray(mixed + np.array([0.0, 0.0, 9.81]))


def log(
    path: Path,
    stamps: list[str],
    times_s: FloatArray,
    head: str = HEAD,
    tail: Callable[[float], str] = "".format,
) -> Path:
    """A log whose rows are stamped as given; tail: what else each row holds at its instant."""
    rows = [
        f"{stamp},{x:.5f},{y:.5f},{z:.5f}{tail(t)}\n"
        for stamp, t, (x, y, z) in zip(stamps, times_s, shake(times_s), strict=True)
    ]
    path.write_text(head + "\n" + "".join(rows), encoding="utf-8")
    return path


@pytest.fixture
def both(monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[Recording, Recording]]:
    """Reads a log at once, then in sections of a thousand rows that wait on disk."""

    def read(path: Path, options: ReadOptions = ReadOptions()) -> tuple[Recording, Recording]:  # noqa: B008
        whole = read_recording(path, options)
        monkeypatch.setattr(table, "WHOLE_BYTES", 1000)
        monkeypatch.setattr(table, "SECTION_ROWS", (1000, 1000))
        monkeypatch.setattr(store, "IN_MEMORY_VALUES", 500)
        return whole, read_recording(path, options)

    return read


def same(whole: Recording, parts: Recording, within: float = 1e-5) -> None:
    """Alike in everything but the last digits, and the second on disk."""
    assert store._mapped(parts.samples) is not None
    assert parts.samples.shape == whole.samples.shape
    assert parts.rate_hz == pytest.approx(whole.rate_hz, rel=2e-5)
    assert np.abs(parts.samples - whole.samples).max() < within
    assert (parts.valid == whole.valid).all()
    assert (parts.channels, parts.unit) == (whole.channels, whole.unit)
    assert parts.start_s == pytest.approx(whole.start_s, abs=1e-6)


def even() -> FloatArray:
    return np.arange(ROWS) / RATE_HZ


def test_an_even_log_is_the_same_in_sections(
    tmp_path: Path, both: Callable[..., tuple[Recording, Recording]]
) -> None:
    times = even()
    whole, parts = both(log(tmp_path / "log.csv", [f"{t:.4f}" for t in times], times))
    same(whole, parts)
    assert parts.history == whole.history


def test_a_jittered_log_with_lost_rows_is_the_same_in_sections(
    tmp_path: Path, both: Callable[..., tuple[Recording, Recording]]
) -> None:
    rng = np.random.default_rng(1)
    times = np.delete(even() + rng.normal(0.0, 0.0005, ROWS), rng.choice(ROWS, 20, replace=False))
    whole, parts = both(log(tmp_path / "log.csv", [f"{t:.5f}" for t in times], times))
    same(whole, parts, within=0.03)  # each section has its own even clock to hold the stamps against
    assert parts.quality.repaired == whole.quality.repaired


def test_a_gap_stays_empty_in_sections(
    tmp_path: Path, both: Callable[..., tuple[Recording, Recording]]
) -> None:
    times = even()
    times = times[(times < 25.005) | (times > 31.0)]
    whole, parts = both(log(tmp_path / "log.csv", [f"{t:.4f}" for t in times], times))
    same(whole, parts)
    assert np.array(parts.quality.gaps) == pytest.approx(np.array(whole.quality.gaps))


NANOSECONDS = 1_700_000_000_123_456_789


@pytest.mark.parametrize(
    ("name", "stamp"),
    [
        ("timestamp (ns)", lambda t: str(NANOSECONDS + round(t * 1e9))),
        ("clock", lambda t: clock_text(86_380.0 + t)),  # passes midnight
        ("time", lambda t: f"2024-03-{1 + int((86_380 + t) // 86_400):02d}T{clock_text(86_380.0 + t)}Z"),
        ("dt (s)", lambda t: "0.01"),
    ],
    ids=["nanoseconds", "clock past midnight", "date and clock", "steps"],
)
def test_every_kind_of_stamp_runs_on_from_section_to_section(
    tmp_path: Path, both: Callable[..., tuple[Recording, Recording]], name: str, stamp: Callable[[float], str]
) -> None:
    times = even()
    head = f"{name},ax (m/s^2),ay (m/s^2),az (m/s^2)"
    whole, parts = both(log(tmp_path / "log.csv", [stamp(t) for t in times], times, head))
    same(whole, parts, within=1e-4)
    assert parts.epoch_s == (None if whole.epoch_s is None else pytest.approx(whole.epoch_s))


def clock_text(seconds: float) -> str:
    """Time of day, to the millisecond."""
    whole, thousandths = divmod(round(seconds * 1000) % 86_400_000, 1000)
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}.{thousandths:03d}"


def test_a_log_without_stamps_runs_on_at_the_rate_that_was_said(
    tmp_path: Path, both: Callable[..., tuple[Recording, Recording]]
) -> None:
    path = tmp_path / "log.csv"
    rows = "".join(f"{x:.5f},{y:.5f},{z:.5f}\n" for x, y, z in shake(even()))
    path.write_text("ax (m/s^2),ay (m/s^2),az (m/s^2)\n" + rows, encoding="utf-8")
    same(*both(path, ReadOptions(rate_hz=RATE_HZ)))


@pytest.mark.parametrize("at_row", [2500, 3000])
def test_a_clock_set_back_goes_on_in_sections(
    tmp_path: Path, both: Callable[..., tuple[Recording, Recording]], at_row: int
) -> None:
    times = even()
    stamps = np.where(np.arange(ROWS) < at_row, times, times - 20.0)
    whole, parts = both(log(tmp_path / "log.csv", [f"{t:.4f}" for t in stamps], times))
    same(whole, parts)
    assert [h for h in parts.history if "set back" in h] == [h for h in whole.history if "set back" in h]


def test_of_two_sittings_the_longer_is_used_in_sections(
    tmp_path: Path, both: Callable[..., tuple[Recording, Recording]]
) -> None:
    times = np.where(even() < 22.5, even(), even() + 7200.0)
    whole, parts = both(log(tmp_path / "log.csv", [f"{t:.4f}" for t in times], times))
    same(whole, parts)
    assert any("number 2" in h for h in parts.history)


def test_speed_and_engine_speed_that_come_late_are_found_in_sections(
    tmp_path: Path, both: Callable[..., tuple[Recording, Recording]]
) -> None:
    times = even()
    head = HEAD + ",gps speed (km/h),engine rpm"

    def beside(t: float) -> str:
        fix = round(t * RATE_HZ) % 100 == 0 and t > 15.0
        return f",{60 + t:.1f},{1500 + 10 * int(t)}" if fix else f",,{1500 + 10 * int(t)}"

    whole, parts = both(log(tmp_path / "log.csv", [f"{t:.4f}" for t in times], times, head, beside))
    same(whole, parts)
    for mine, other in ((parts.speed, whole.speed), (parts.rpm, whole.rpm)):
        assert mine is not None
        assert other is not None
        assert np.interp(times, mine.times_s, mine.values) == pytest.approx(
            np.interp(times, other.times_s, other.values)
        )


def test_rows_without_numbers_are_counted_over_all_sections(
    tmp_path: Path, both: Callable[..., tuple[Recording, Recording]]
) -> None:
    times = even()
    path = log(tmp_path / "log.csv", [f"{t:.4f}" for t in times], times)
    lines = path.read_text().splitlines()
    for row in (700, 1700, 1701, 4200):
        lines[row] = lines[row].split(",")[0] + ",,,"
    path.write_text("\n".join(lines) + "\n")
    whole, parts = both(path)
    same(whole, parts, within=0.01)
    assert f"4 of {ROWS} rows had no number on some axis or no stamp and were left out" in parts.history


def test_a_disk_without_room_ends_in_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(store, "IN_MEMORY_VALUES", 5)
    monkeypatch.setattr("tempfile.TemporaryFile", full)
    with pytest.raises(RecordingError, match=r"needs room in .*No space left on device.*TMPDIR"):
        store.SampleStore(1).push(np.zeros((1, 10)))


def test_stretches_cover_everything_once() -> None:
    cut = store.spans(1000, 300)
    assert cut[0][0] == 0
    assert cut[-1][1] == 1000
    assert all(a[1] == b[0] for a, b in pairwise(cut))
    assert max(b - a for a, b in cut) <= 300
