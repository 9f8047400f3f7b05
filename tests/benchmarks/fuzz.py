"""Mutated inputs to everything that reads: refused in a sentence, or read; whatever else is a fault.

    nice -n 19 python tests/benchmarks/fuzz.py --inputs 100000 --seed 1 --keep faults.jsonl --write docs/reliability.md

Input k of a seed is the same on every machine with the same libraries. Each is given to one child process, which is
killed after 10 s of work ("hung"), and its greatest resident memory is read for every input (above 1 GB: "over
memory"; both on Linux only). "Crashed" is any exception but VibeorderError, a warning that a user would see, a result
with a number that is not finite, or a child that died. Of every kind of fault the first input is made small and kept.
"""

import argparse
import base64
import json
import os
import re
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from random import Random
from threading import Lock, Thread

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from common import fill_page, table
from fuzz_mutate import mutated
from fuzz_seeds import SEEDS
from fuzz_targets import SUFFIXES, tried

SHARES = {
    "log": 300, "zip": 145, "sound": 140, "vehicle": 140, "speed log": 130, "bench form": 134,
    "speed beside": 9, "diagnosis": 2,
}  # fmt: skip
"""Of a thousand inputs; a log beside a recording takes a hundred times as long as a form, a diagnosis a thousand."""

WATCHDOG_S, IDLE_S = 10.0, 200.0
MEMORY_BYTES = 1 << 30
START_S = 900.0
SMALLER_TRIES = 150
EVERY = 2000
HOWS = ("refused", "read", "crashed", "hung", "over memory")


@dataclass(frozen=True, slots=True)
class Result:
    """how: one of HOWS. said: sentence or fault."""

    how: str
    said: str


class Child:
    """One process that is given inputs one by one, and made anew when it hung or died."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._context = get_context("spawn")
        self._start()

    def _start(self) -> None:
        self._pipe, end = self._context.Pipe()
        self._process = self._context.Process(target=_serve, args=(end, self._folder), daemon=True)
        self._process.start()
        end.close()
        if not self._pipe.poll(START_S):
            raise SystemExit("the child process did not start")
        self._pipe.recv()

    def give(self, target: str, raw: bytes) -> Result:
        """What became of one input."""
        self._pipe.send((target, raw))
        try:
            if self._answers():
                how, said, peak = self._pipe.recv()
                if peak > MEMORY_BYTES:
                    return Result("over memory", f"{target}: {how}")
                return Result(how, said)
            result = Result("hung", f"{target}: no answer in {WATCHDOG_S:.0f} s")
        except EOFError:
            self._process.join()
            result = Result("crashed", f"{target}: the process died, exit code {self._process.exitcode}")
        self.stop()
        self._start()
        return result

    def _answers(self) -> bool:
        """Whether it answers before its time is up: of its own work, or asleep, since others may use the cores."""
        worked, idle_s = _cpu_s(self._process.pid), 0.0
        while not self._pipe.poll(0.5):
            idle_s += 0.5 * _sleeps(self._process.pid)
            if _cpu_s(self._process.pid) - worked > WATCHDOG_S or idle_s > IDLE_S:
                return False
        return True

    def stop(self) -> None:
        """End it."""
        self._process.kill()
        self._process.join()
        self._pipe.close()


def _serve(pipe: Connection, folder: Path) -> None:
    """The child: read what comes, say how it went and the greatest memory it took."""
    sys.stderr = Path(os.devnull).open("w")  # noqa: SIM115 (for as long as the child lives)
    os.dup2(sys.stderr.fileno(), 2)  # decoders write there directly
    pipe.send("ready")
    while True:
        try:
            target, raw = pipe.recv()
        except EOFError:
            return
        path = folder / f"input{SUFFIXES[target]}"
        path.write_bytes(raw)
        _forget_peak()
        outcome = tried(target, path)
        pipe.send((outcome.how, outcome.said, _peak_bytes()))


def _cpu_s(pid: int | None) -> float:
    """Processor time of a process; the clock where the system does not tell."""
    try:
        cells = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return time.monotonic()
    return (int(cells[11]) + int(cells[12])) / os.sysconf("SC_CLK_TCK")


def _sleeps(pid: int | None) -> bool:
    """Whether a process waits for something other than a core or the disk."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "RD"
    except OSError:
        return True


def _forget_peak() -> None:
    try:
        Path("/proc/self/clear_refs").write_text("5")
    except OSError:
        return


def _peak_bytes() -> int:
    """Greatest resident memory since it was forgotten; 0 where the system does not tell."""
    try:
        found = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text())
    except OSError:
        return 0
    return int(found[1]) * 1024 if found else 0


def inputs(count: int, seed: int, only: Sequence[str] = ()) -> Iterator[tuple[int, str, bytes]]:
    """Number, target and bytes of every input."""
    targets = [name for name, share in SHARES.items() for _ in range(share) if not only or name in only]
    seeds = {name: SEEDS[name]() for name in set(targets)}
    for k in range(count):
        rng = Random(f"{seed} {k}")
        target = rng.choice(targets)
        yield k, target, mutated(target, seeds[target], rng)


def smaller(child: Child, target: str, raw: bytes, fault: Result) -> bytes:
    """The input with everything left out that the fault does not need, as far as some tries go."""
    piece, tries = max(len(raw) // 2, 1), 0
    while piece >= 1 and tries < (SMALLER_TRIES if fault.how == "crashed" else 6):
        at = 0
        while at < len(raw) and tries < SMALLER_TRIES:
            less = raw[:at] + raw[at + piece :]
            tries += 1
            if child.give(target, less) == fault:
                raw = less
            else:
                at += piece
        piece //= 2
    return raw


class Run:
    """Inputs handed out to so many children at a time, and what became of them."""

    def __init__(self, options: argparse.Namespace) -> None:
        self._options, self._lock = options, Lock()
        self._ahead = inputs(options.inputs, options.seed, options.only or ())
        self.counted: dict[str, Counter[str]] = {name: Counter() for name in SHARES}
        self.faults: Counter[str] = Counter()
        self.stopped = False

    def work(self, folder: Path) -> None:
        """Give inputs to a child of its own until none is left or it is stopped."""
        folder.mkdir()
        child = Child(folder)
        while not self.stopped:
            with self._lock:
                one = next(self._ahead, None)
            if one is None:
                break
            self._count(child, *one, child.give(*one[1:]))
        child.stop()

    def _count(self, child: Child, k: int, target: str, raw: bytes, result: Result) -> None:
        with self._lock:
            self.counted[target][result.how] += 1
            name = f"{target}: {result.said}"
            self.faults[name] += result.how in HOWS[2:]
            first = self.faults[name] == 1 and result.how in HOWS[2:]
            done = sum(one.total() for one in self.counted.values())
            if done % EVERY == 0:
                _aside(f"{done} of {self._options.inputs}, {len(+self.faults)} kinds of faults")
        if first:
            _keep(self._options.keep, k, target, result, smaller(child, target, raw, result))


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table, after Ctrl-C or SIGTERM of what was given until then; exit 1 where there was a fault."""
    options = _options(arguments)
    run = Run(options)
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # a shell's background job ignores Ctrl-C
    with tempfile.TemporaryDirectory() as folder:
        hands = [Thread(target=run.work, args=(Path(folder) / str(n),)) for n in range(options.at_a_time)]
        for hand in hands:
            hand.start()
        try:
            while any(hand.is_alive() for hand in hands):
                time.sleep(0.2)
        except KeyboardInterrupt:
            _aside("stopped")
            run.stopped = True
        for hand in hands:
            hand.join()
    text = _table(run.counted, options.seed)
    sys.stdout.write(text + "\n")
    faults = +run.faults
    for name, times in faults.most_common():
        _aside(f"{times} x {name}")
    if options.write:
        fill_page(options.write, "fuzz", text)
    return 1 if faults else 0


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    parser.add_argument("--inputs", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--at-a-time", type=int, default=1, metavar="N", help="children at work side by side")
    parser.add_argument("--only", action="append", choices=SHARES, help="only this target; may be repeated")
    parser.add_argument(
        "--keep", type=Path, help="append the first input of every fault, made small, to FILE"
    )
    parser.add_argument("--write", type=Path, metavar="PAGE")
    return parser.parse_args(arguments)


def _keep(path: Path | None, k: int, target: str, result: Result, raw: bytes) -> None:
    _aside(f"input {k}, {target}, {result.how}: {result.said}; {len(raw)} bytes: {raw[:200]!r}")
    if path is not None:
        row = {"input": k, "target": target, "how": result.how, "said": result.said}
        with path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row | {"base64": base64.b64encode(raw).decode()}) + "\n")


def _table(counted: dict[str, Counter[str]], seed: int) -> str:
    total = sum(counted.values(), Counter())
    rows = [
        [name, str(sum(one.values())), *(str(one[how]) for how in HOWS)]
        for name, one in (*counted.items(), ("all", total))
        if one
    ]
    head = f"{total.total():,} inputs, seed {seed}:\n\n"
    return head + table(["given to", "inputs", *HOWS], rows)


def _aside(text: str) -> None:
    sys.stderr.write(text + "\n")
    sys.stderr.flush()


if __name__ == "__main__":
    sys.exit(main())
