"""Work in child processes: fair, bounded, and nothing of a bad child reaches the server."""

import json
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil
import pytest
from patience import PATIENCE_S, await_that
from web_children import forked_child

from vibeorder.errors import VibeorderError
from vibeorder.web import queue as queue_module
from vibeorder.web.queue import BusyError, Queue, TaskState, start_child
from vibeorder.web.settings import Limits
from vibeorder.web.store import NotThereError, Store

HERE = Path(__file__).resolve().parent
KINDS = ("fine", "turn", "hang", "burn", "hog", "crash", "flood", "mistake", "fault", "chatter")

Start = Callable[..., Queue]


@pytest.fixture
def start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Start]:
    """Starts queues on one store and stops them. real: children are the product's own, not forked sooner."""
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(HERE), str(HERE.parent)]))
    monkeypatch.setattr(queue_module, "TASKS", {kind: f"web_tasks:{kind}" for kind in KINDS})
    started: list[Queue] = []

    def make(workers: int = 1, *, run: bool = True, real: bool = False, **limits: float) -> Queue:
        monkeypatch.setattr(queue_module, "start_child", start_child if real else forked_child)
        bounds = Limits(**limits)  # type: ignore[arg-type]
        made = Queue(Store(tmp_path / "results", bounds), bounds, workers)
        started.append(made)
        if run:
            made.start()
        return made

    yield make
    for one in started:
        one.stop()


def wait(queue: Queue, name: str, within_s: float = PATIENCE_S) -> TaskState:
    """The state of a task once it has ended."""
    until = time.monotonic() + within_s
    while (state := queue.state(name)).state not in ("done", "failed"):
        assert time.monotonic() < until, state
        time.sleep(0.02)
    return state


@contextmanager
def no_child_left() -> Iterator[None]:
    """Nothing that was started in here runs on behind it."""
    before = {child.pid for child in psutil.Process().children(recursive=True)}
    yield
    until = time.monotonic() + PATIENCE_S
    while left := {c.pid for c in psutil.Process().children(recursive=True)} - before:
        assert time.monotonic() < until, left
        time.sleep(0.02)


def test_a_task_writes_into_its_own_folder_and_its_result_outlives_the_server(start: Start) -> None:
    with no_child_left():
        queue = start(real=True)
        name = queue.submit("fine", {"say": "hello"})
        assert wait(queue, name) == TaskState("fine", "done", 1.0)
        assert (queue._store.path(name) / "out.txt").read_text("utf-8") == "hello"
        queue.stop()
    assert start(run=False).state(name).state == "done"


def test_visitors_take_turns_however_much_one_of_them_sends(start: Start, tmp_path: Path) -> None:
    queue, log = start(run=False), tmp_path / "log"
    names = [queue.submit("turn", {"say": f"a{i}", "log": str(log)}, owner="a") for i in range(3)]
    names += [queue.submit("turn", {"say": "b0", "log": str(log)}, owner="b")]
    assert [queue.state(name).ahead for name in names] == [0, 2, 3, 1]
    queue.start()
    for name in names:
        wait(queue, name)
    assert log.read_text("utf-8").split() == ["a0", "b0", "a1", "a2"]


def test_a_full_queue_says_so_and_one_visitor_cannot_fill_it(start: Start) -> None:
    queue = start(run=False, waiting=3, waiting_each=2)
    queue.submit("fine", {}, owner="a")
    queue.submit("fine", {}, owner="a")
    with pytest.raises(BusyError, match="few minutes"):
        queue.submit("fine", {}, owner="a")
    queue.submit("fine", {}, owner="b")
    with pytest.raises(BusyError):
        queue.submit("fine", {}, owner="c")


def test_a_child_that_hangs_is_ended_with_all_that_it_started(start: Start) -> None:
    with no_child_left():
        for limit_s in (8.0, 32.0, 128.0):  # on a loaded machine a child may need longer to begin at all
            queue = start(real=True, task_wall_s=limit_s)
            name = queue.submit("hang", {})
            state = wait(queue, name)
            assert state.state == "failed" and f"longer than {limit_s:.0f} s" in state.error
            after = wait(queue, queue.submit("fine", {}))
            queue.stop()
            note = queue._store.path(name) / "grandchild"
            if note.exists() and note.read_text("utf-8") and "longer than" not in after.error:
                break
        await_that(lambda: not runs(int(note.read_text("utf-8"))), "the grandchild's end")
        assert after.state == "done"


def runs(process: int) -> bool:
    """Whether a process is there and no zombie."""
    try:
        return bool(psutil.Process(process).status() != psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return False


def test_a_child_that_only_burns_time_is_ended_by_its_own_limit(start: Start) -> None:
    queue = start(task_cpu_s=1)
    state = wait(queue, queue.submit("burn", {}))
    assert state.state == "failed" and "took too long" in state.error


def test_a_child_cannot_take_more_memory_than_its_share(start: Start) -> None:
    state = wait(queue := start(real=True), queue.submit("hog", {}))
    assert state.state == "failed" and "more memory" in state.error


def test_a_child_cannot_fill_the_disk(start: Start) -> None:
    queue = start(task_file_bytes=5_000_000)
    name = queue.submit("flood", {})
    assert "no room on the disk" in wait(queue, name).error
    assert (queue._store.path(name) / "flood").stat().st_size <= 5_000_000


def test_a_child_that_crashes_takes_nothing_else_down(start: Start) -> None:
    queue = start()
    bad, good = queue.submit("crash", {}), queue.submit("fine", {})
    assert "nothing else was harmed" in wait(queue, bad).error
    assert wait(queue, good).state == "done"


def test_a_mistake_is_its_sentence_and_a_fault_hides_its_details(start: Start) -> None:
    queue = start()
    mistake, fault = queue.submit("mistake", {}), queue.submit("fault", {})
    assert wait(queue, mistake).error == "the wrong column was named"
    said = wait(queue, fault).error
    assert "fault in vibeorder" in said and "secret" not in said
    assert "a secret" in (queue._store.path(fault) / "fault.txt").read_text("utf-8")


def test_what_a_library_prints_is_not_taken_for_an_answer(start: Start) -> None:
    queue = start()
    name = queue.submit("chatter", {})
    assert wait(queue, name).state == "done"
    assert (queue._store.path(name) / "out.txt").exists()


def test_what_was_not_done_when_the_server_stopped_is_said_to_be_lost(start: Start) -> None:
    queue = start(run=False)
    name = queue.submit("fine", {})
    assert "before this was done" in start(run=False).state(name).error


def test_a_result_that_never_was_is_not_there(start: Start) -> None:
    queue = start(run=False)
    for name in ("0" * 24, "../../etc", "", "x"):
        with pytest.raises(NotThereError):
            queue.state(name)


def test_the_store_takes_only_its_own_ids_for_paths(tmp_path: Path) -> None:
    store = Store(tmp_path / "results", Limits())
    (tmp_path / "secret").mkdir()
    for name in ("../secret", "..", ".", "/etc", "results", store.new().upper() + "/.."):
        with pytest.raises(NotThereError):
            store.path(name)
        store.drop(name)
    assert (tmp_path / "secret").is_dir()


def test_the_oldest_results_go_first_and_a_busy_one_stays(tmp_path: Path) -> None:
    store = Store(tmp_path / "results", Limits(kept_results=3))
    names = [store.new() for _ in range(6)]
    for age, name in enumerate(reversed(names)):
        os.utime(store.path(name), (time.time() - 100 * age,) * 2)
    assert store.tidy(busy={names[0]}) == 3
    assert [name for name in names if (store.root / name).exists()] == [names[0], *names[4:]]


def test_results_go_when_they_are_old_or_too_many_bytes(tmp_path: Path) -> None:
    store = Store(tmp_path / "results", Limits(kept_days=1.0, kept_bytes=1500))
    old, large, small = store.new(), store.new(), store.new()
    (store.path(large) / "x").write_bytes(b"x" * 1000)
    (store.path(small) / "x").write_bytes(b"x" * 1000)
    for name, age_s in ((old, 2 * 86400), (large, 60), (small, 0)):
        os.utime(store.path(name), (time.time() - age_s,) * 2)
    store.tidy()
    assert [name for name in (old, large, small) if (store.root / name).exists()] == [small]


def test_a_full_disk_is_said_before_anything_is_sent(tmp_path: Path) -> None:
    with pytest.raises(VibeorderError, match="make room"):
        Store(tmp_path / "results", Limits(free_bytes=1 << 62)).new()


def test_json_is_written_whole_and_bad_json_is_read_as_nothing(tmp_path: Path) -> None:
    store = Store(tmp_path / "results", Limits())
    name = store.new()
    store.write_json(name, "a.json", {"x": 1})
    assert store.read_json(name, "a.json") == {"x": 1}
    (store.path(name) / "b.json").write_text("[" * 100_000, "utf-8")
    (store.path(name) / "c.json").symlink_to("/etc/hostname")
    assert [store.read_json(name, file) for file in ("b.json", "c.json", "d.json")] == [None] * 3
    assert json.loads((store.path(name) / "a.json").read_text("utf-8")) == {"x": 1}
    assert sorted(p.name for p in store.path(name).iterdir()) == ["a.json", "b.json", "c.json"]


def test_a_server_stopped_in_the_middle_says_that_and_not_that_the_file_is_bad(start: Start) -> None:
    with no_child_left():
        queue = start(real=True)
        name = queue.submit("hang", {})
        until = time.monotonic() + PATIENCE_S
        while queue.state(name).what != "hanging":
            assert time.monotonic() < until
            time.sleep(0.02)
        queue.stop()
    assert "server was stopped" in start(run=False).state(name).error


def test_a_fault_while_a_result_is_put_away_does_not_stop_the_queue(
    start: Start, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(name: str, arguments: object) -> None:
        raise RuntimeError("a secret")

    queue = start(run=False)
    queue._after["fine"] = broken
    queue.start()
    state = wait(queue, queue.submit("fine", {}))
    assert state.state == "failed" and "fault in vibeorder" in state.error and "secret" not in state.error
    assert "a secret" in caplog.text
    queue._after.clear()
    assert wait(queue, queue.submit("fine", {})).state == "done"
