"""Stretches judged side by side give what they give one after another, whatever becomes of the processes."""

import os
import signal
import sys

import numpy as np
import pytest
from diagnosis_examples import FEW_GEARS, made
from test_diagnosis_long import numbers

from vibeorder.diagnosis import analyse, diagnose, parallel
from vibeorder.errors import RecordingError
from vibeorder.simulate import Drive, as_recording

SPANS = [(10 * i, 10 * i + 10) for i in range(5)]

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="elsewhere stretches come one after another")


def processes(monkeypatch: pytest.MonkeyPatch, count: int) -> None:
    """So many for this process; one for those that it begins, as always."""
    parent = os.getpid()
    monkeypatch.setattr(parallel, "_processes", lambda: count if os.getpid() == parent else 1)


@pytest.fixture
def two(monkeypatch: pytest.MonkeyPatch) -> None:
    processes(monkeypatch, 2)


def squares(first: int, last: int) -> tuple[int, int]:
    return os.getpid(), sum(i * i for i in range(first, last))


def test_every_stretch_is_worked_on_once_in_other_processes(two: None) -> None:
    found = dict(parallel.side_by_side(squares, SPANS))
    assert sorted(found) == [0, 1, 2, 3, 4]
    assert [found[i][1] for i in range(5)] == [squares(*span)[1] for span in SPANS]
    workers = {process for process, _ in found.values()}
    assert len(workers) == 2
    assert os.getpid() not in workers


def test_a_process_that_dies_leaves_its_stretches_to_the_parent(two: None) -> None:
    def fatal(first: int, last: int) -> tuple[int, int]:
        if first == 20 and os.getpid() != parent:
            os.kill(os.getpid(), signal.SIGKILL)
        return squares(first, last)

    parent = os.getpid()
    found = dict(parallel.side_by_side(fatal, SPANS))
    assert [found[i][1] for i in range(5)] == [squares(*span)[1] for span in SPANS]
    assert found[2][0] == parent


def test_what_is_wrong_with_a_stretch_is_raised_where_it_was_asked_for(two: None) -> None:
    def wrong(first: int, last: int) -> int:
        raise RecordingError(f"nothing in {first} to {last}; record again")

    with pytest.raises(RecordingError, match="record again"):
        list(parallel.side_by_side(wrong, SPANS))


def test_no_process_is_left_when_nobody_listens_any_more(two: None) -> None:
    results = parallel.side_by_side(squares, SPANS)
    child = next(results)[1][0]
    results.close()  # type: ignore[attr-defined]
    with pytest.raises(ProcessLookupError):
        os.kill(child, 0)


def test_one_stretch_and_one_of_several_processes_work_in_place(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("threading.active_count", lambda: 2)
    assert {process for _, (process, _) in parallel.side_by_side(squares, SPANS)} == {os.getpid()}
    monkeypatch.setattr("threading.active_count", lambda: 1)
    assert {process for _, (process, _) in parallel.side_by_side(squares, SPANS[:1])} == {os.getpid()}


def test_things_are_shared_out_once_each(two: None) -> None:
    for count in range(6):
        taken = [i for first, step in parallel.shares(count) for i in range(first, count, step)]
        assert sorted(taken) == list(range(count))
    assert parallel.shares(5) == [(0, 2), (1, 2)]
    assert parallel.shares(1) == [(0, 1)]


@pytest.mark.parametrize("piece_s, gps", [(15.0, True), (150.0, True), (150.0, False)])
def test_a_drive_judged_side_by_side_gives_the_same_answer(
    monkeypatch: pytest.MonkeyPatch, piece_s: float, gps: bool
) -> None:
    """In stretches, in one whose hypotheses are shared out, and in one whose names are."""
    monkeypatch.setattr(analyse, "PIECE_S", piece_s)
    drive = Drive("sweep", (18.0, 29.0), ((0.0, 2),))
    recording = as_recording(made(FEW_GEARS, drive, "driveshaft", duration_s=45.0 if gps else 20.0), gps)
    found = []
    for count in (1, 2):
        processes(monkeypatch, count)
        found.append(numbers(diagnose(recording, FEW_GEARS)))
    assert found[0] == pytest.approx(found[1], rel=1e-9, abs=1e-12)
    assert np.isfinite(found[0]).all()
