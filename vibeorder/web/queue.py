"""Work that takes seconds, in child processes: fair between visitors, with limits, and never unpickled.

A child is a fresh Python (`vibeorder.web.worker`) that serves one task and ends. It is started before it is
needed, so that a visitor does not wait for its imports. What it says comes as JSON lines; what it makes lies as
plain files in the task's folder.
"""

import json
import logging
import os
import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from vibeorder.errors import VibeorderError
from vibeorder.web.settings import Limits
from vibeorder.web.store import Store

__all__ = [
    "DONE_PAGES",
    "KEPT_FILE",
    "REQUEST_FILE",
    "STATE_FILE",
    "TASKS",
    "BusyError",
    "Queue",
    "TaskState",
    "start_child",
]

TASKS = {
    "diagnose": "vibeorder.web.tasks.diagnose:run",
    "lesson": "vibeorder.web.tasks.lesson:run",
    "compare": "vibeorder.web.tasks.compare:run",
    "plan": "vibeorder.web.tasks.plan:run",
}
"""What a child can do: kind -> module:function, called as run(folder, arguments, progress)."""

DONE_PAGES = {
    "diagnose": "/result/{id}",
    "lesson": "/classroom/{id}",
    "compare": "/comparison/{id}",
    "plan": "/plan/{id}",
}
"""Where the waiting page sends the visitor when a task of this kind is done."""

STATE_FILE = "state.json"
REQUEST_FILE = "request.json"
KEPT_FILE = "kept.json"
"""In the task's folder: {"job": N} where its recordings are in a job, {"error": sentence} where that failed."""
MAX_LINE = 8192
LOST = "the server was stopped before this was done; send it again"
OUR_FAULT = "this is a fault in vibeorder, not in your file; the window where it runs has the details"
log = logging.getLogger("vibeorder.web")
After = Callable[[str, Mapping[str, Any]], None]


class BusyError(VibeorderError):
    """More is waiting than will be done soon."""


@dataclass(frozen=True, slots=True)
class TaskState:
    """How far a task is. state: "waiting", "working", "done" or "failed". share: 0 to 1.

    ahead: how many tasks are before it in the queue. error: one sentence, '' unless failed.
    """

    kind: str
    state: str
    share: float = 0.0
    what: str = ""
    error: str = ""
    ahead: int = 0


@dataclass(frozen=True, slots=True)
class _Task:
    name: str
    kind: str
    arguments: Mapping[str, Any]
    owner: str


class Queue:
    """Runs tasks, one child process each. Every method may be called from any thread.

    after: kind -> called here, in the server, with (id, arguments) when a task of that kind is done.
    """

    def __init__(
        self, store: Store, limits: Limits, workers: int, after: Mapping[str, After] | None = None
    ) -> None:
        self._store, self._limits, self._workers = store, limits, workers
        self._after = dict(after or {})
        self._lock = threading.Condition()
        self._waiting: dict[str, deque[_Task]] = {}
        self._states: dict[str, TaskState] = {}
        self._children: set[subprocess.Popen[bytes]] = set()
        self._threads: list[threading.Thread] = []
        self._stopping = False

    def start(self) -> None:
        """Begin to work."""
        self._stopping = False
        self._threads = [
            threading.Thread(target=self._work, name=f"task-{i}", daemon=True) for i in range(self._workers)
        ]
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End all children; what was not done is said to be lost when it is asked for."""
        with self._lock:
            self._stopping = True
            for child in self._children:
                _kill(child)
            self._lock.notify_all()
        for thread in self._threads:
            thread.join(timeout=10.0)
        self._threads = []

    def submit(self, kind: str, arguments: Mapping[str, Any], name: str = "", owner: str = "") -> str:
        """Put a task into the queue and return its id. Raises BusyError.

        arguments: plain JSON values. name: a folder made by Store.new that already holds the uploads, or ''.
        owner: the visitor; visitors take turns.
        """
        if kind not in TASKS:
            raise ValueError(f"no task {kind!r}")
        with self._lock:
            waiting, own = sum(map(len, self._waiting.values())), len(self._waiting.get(owner, ()))
            if waiting >= self._limits.waiting or own >= self._limits.waiting_each:
                raise BusyError("too many recordings are waiting already; send it again in a few minutes")
        name = name or self._store.new()
        self._store.write_json(name, REQUEST_FILE, {"kind": kind, "arguments": dict(arguments)})
        with self._lock:
            self._set(name, TaskState(kind, "waiting"))
            self._waiting.setdefault(owner, deque()).append(_Task(name, kind, arguments, owner))
            self._lock.notify()
        return name

    def state(self, name: str) -> TaskState:
        """How far a task is, also of one done before the server was started. Raises NotThereError."""
        with self._lock:
            state = self._states.get(name)
            if state is not None:
                return replace(state, ahead=self._ahead(name)) if state.state == "waiting" else state
        kept = self._store.read_json(name, STATE_FILE)
        if isinstance(kept, dict) and kept.get("state") in ("done", "failed"):
            return TaskState(str(kept.get("kind")), str(kept["state"]), 1.0, "", str(kept.get("error", "")))
        return TaskState("", "failed", 0.0, "", LOST)

    def busy(self) -> set[str]:
        """Ids of all tasks that wait or run."""
        with self._lock:
            return {n for n, s in self._states.items() if s.state in ("waiting", "working")}

    def _ahead(self, name: str) -> int:
        order = self._order()
        return order.index(name) if name in order else 0

    def _order(self) -> list[str]:
        lines = [list(line) for line in self._waiting.values()]
        longest = max((len(line) for line in lines), default=0)
        return [line[i].name for i in range(longest) for line in lines if i < len(line)]

    def _set(self, name: str, state: TaskState) -> None:
        self._states[name] = state

    def _next(self) -> _Task | None:
        """The next task, visitors taking turns; None when the queue is to end."""
        with self._lock:
            while not self._waiting and not self._stopping:
                self._lock.wait()
            if self._stopping:
                return None
            owner = next(iter(self._waiting))
            line = self._waiting.pop(owner)
            task = line.popleft()
            if line:
                self._waiting[owner] = line  # behind the others
            self._set(task.name, TaskState(task.kind, "working", 0.0, "starting"))
            return task

    def _work(self) -> None:
        warm = self._spawn()
        while (task := self._next()) is not None:
            child = warm if warm is not None and warm.poll() is None else self._spawn()
            try:
                self._finish(task, self._run(task, child))
            except Exception:  # whatever it was, the next visitor is served
                log.exception("fault in the queue at task %s", task.name)
                with self._lock:
                    self._set(task.name, TaskState(task.kind, "failed", 1.0, "", OUR_FAULT))
            warm = self._spawn()
        self._end(warm)

    def _spawn(self) -> subprocess.Popen[bytes] | None:
        with self._lock:
            if self._stopping:
                return None
            child = start_child(self._limits)
            self._children.add(child)
            return child

    def _end(self, child: subprocess.Popen[bytes] | None) -> None:
        if child is None:
            return
        _kill(child)
        child.wait()
        for pipe in (child.stdin, child.stdout):
            if pipe is not None:
                pipe.close()
        with self._lock:
            self._children.discard(child)

    def _run(self, task: _Task, child: subprocess.Popen[bytes] | None) -> str:
        """Run one task to its end: '' or the sentence that says why it failed."""
        if child is None or child.stdin is None or child.stdout is None:
            return LOST
        late = threading.Event()
        timer = threading.Timer(self._limits.task_wall_s, _kill_late, (late, child))
        timer.daemon = True
        timer.start()
        end = None
        try:
            order = {"target": TASKS[task.kind], "folder": str(self._store.path(task.name)),
                     "arguments": dict(task.arguments)}  # fmt: skip
            child.stdin.write(json.dumps(order).encode() + b"\n")
            child.stdin.close()
            while end is None and (line := child.stdout.readline(MAX_LINE)):
                end = self._heard(task, line)
        except (OSError, VibeorderError):
            end = None
        finally:
            timer.cancel()
            self._end(child)
        if end is not None:
            return end
        if self._stopping:
            return LOST
        if late.is_set():
            return (
                f"this took longer than {self._limits.task_wall_s:.0f} s and was stopped; "
                "cut the recording to the drive that shakes"
            )
        return self._why_it_died(child.returncode)

    def _why_it_died(self, code: int) -> str:
        if code == -getattr(signal, "SIGXCPU", -1000):
            return "this took too long and was stopped; cut the recording to the drive that shakes"
        return (
            "reading this file ended the program that read it, so it may be damaged or too large; "
            "nothing else was harmed. Cut it shorter or save it as WAV or CSV"
        )

    def _heard(self, task: _Task, line: bytes) -> str | None:
        """One line of the child: progress, or the end ('' or its error)."""
        try:
            said = json.loads(line)
        except ValueError:
            return None
        if not isinstance(said, dict):
            return None
        if "error" in said:
            return str(said["error"])[:2000]
        if said.get("done") is True:
            return ""
        share = said.get("share")
        if isinstance(share, int | float):
            state = TaskState(
                task.kind, "working", min(max(float(share), 0.0), 1.0), str(said.get("what"))[:200]
            )
            with self._lock:
                self._set(task.name, state)
        return None

    def _finish(self, task: _Task, error: str) -> None:
        if not error and task.kind in self._after:
            try:
                self._after[task.kind](task.name, task.arguments)
            except VibeorderError as trouble:
                self._note(task.name, str(trouble))
        state = TaskState(task.kind, "failed" if error else "done", 1.0, "", error)
        try:
            self._store.write_json(task.name, STATE_FILE, asdict(state))
            self._store.tidy(self.busy())
        except (OSError, VibeorderError):
            with self._lock:
                self._set(task.name, state)
            return
        with self._lock:  # from now on the file says it
            self._states.pop(task.name, None)

    def _note(self, name: str, sentence: str) -> None:
        self._store.write_json(name, KEPT_FILE, {"error": sentence})


def start_child(limits: Limits) -> subprocess.Popen[bytes]:
    """A process that imports what it needs and waits for its one order on standard input."""
    return subprocess.Popen(
        [sys.executable, "-m", "vibeorder.web.worker",
         str(limits.task_memory_bytes), str(limits.task_cpu_s), str(limits.task_file_bytes)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MPLBACKEND": "agg"},
        start_new_session=True,
    )  # fmt: skip


def _kill_late(late: threading.Event, child: subprocess.Popen[bytes]) -> None:
    late.set()
    _kill(child)


def _kill(child: subprocess.Popen[bytes]) -> None:
    """End a child and whatever it started."""
    if child.poll() is not None:
        return
    try:
        if hasattr(os, "killpg"):
            os.killpg(child.pid, signal.SIGKILL)
        else:
            child.kill()
    except OSError:
        child.kill()
