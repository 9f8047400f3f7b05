"""`vibeorder batch FOLDER`: every recording in a folder, one table. Words in, words out; nothing is computed here."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibeorder import door
from vibeorder.errors import VibeorderError
from vibeorder.recording_words import Axes, Rate, RpmColumn, SpeedColumn, SpeedUnit, TimeColumn, Unit
from vibeorder.units import counted, show_percent

if TYPE_CHECKING:
    from vibeorder.batch import Journal, Outcome, Task

__all__ = ["app"]

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)

Step = Callable[["Outcome"], None]
SHOWN_TROUBLES = 5

Folder = Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder of recordings, with all in it.")]
Vehicles = Annotated[
    Path | None,
    typer.Option(
        metavar="PATH",
        help="Profile for all, folder of profiles, or index (recordings.csv); else FOLDER itself.",
    ),
]
Out = Annotated[
    Path, typer.Option(metavar="FILE", help="Table to write, a row per recording: .csv or .parquet.")
]
Suspects = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Second table, a row per suspect: .csv or .parquet.")
]
Speed = Annotated[
    str | None, typer.Option(metavar="SPEED", help='Speed of all drives: "60 mph", "55-65 mph".')
]
Gear = Annotated[int | None, typer.Option(metavar="N", help="Gear of all drives; 1 is the lowest.")]
LowRange = Annotated[bool, typer.Option("--low-range", help="The transfer case was in low range, in all.")]
Processes = Annotated[
    int | None, typer.Option(min=1, metavar="N", help="Recordings worked on at a time; else one per core.")
]
Scheduler = Annotated[
    str | None, typer.Option(metavar="ADDRESS", help="Dask scheduler to work over, like tcp://10.0.0.5:8786.")
]


@app.command()
def batch(
    folder: Folder,
    out: Out,
    vehicles: Vehicles = None,
    suspects: Suspects = None,
    speed: Speed = None,
    gear: Gear = None,
    low_range: LowRange = False,
    time_column: TimeColumn = None,
    axes: Axes = None,
    unit: Unit = None,
    speed_column: SpeedColumn = None,
    speed_unit: SpeedUnit = None,
    rpm_column: RpmColumn = None,
    rate: Rate = None,
    processes: Processes = None,
    scheduler: Scheduler = None,
) -> None:
    """Diagnose every recording in a folder into one table; started again, it goes on where it was stopped."""
    from vibeorder.batch import Said, plan_batch
    from vibeorder.batch.journal import journal_path, open_journal
    from vibeorder.batch.said import check_said

    said = Said(
        speed=speed, gear=gear, low_range=low_range or None, time_column=time_column, axes=axes, unit=unit,
        speed_column=speed_column, speed_unit=speed_unit, rpm_column=rpm_column, rate=rate,
    )  # fmt: skip
    check_said(said)
    _check_outputs(out, suspects, scheduler, processes)
    if scheduler is not None:  # its workers stand in folders of their own
        folder, vehicles = folder.absolute(), None if vehicles is None else vehicles.absolute()
    plan = plan_batch(folder, vehicles, said)
    for option, path in (("--out", out), ("--out", journal_path(out)), ("--suspects", suspects)):
        if path is not None:
            door.check_writable(path, option, plan.inputs)
    with open_journal(out) as journal:
        left = _left_to_do(plan.tasks, journal)
        kept = len(plan.tasks) - len(left)
        try:
            _work_off(left, kept, journal, processes, scheduler)
        except KeyboardInterrupt:
            _say_stopped(journal, left, kept)
            raise
        outcomes = [journal.kept[task.source] for task in plan.tasks]
        _hand_over(outcomes, out, suspects)
    door.say(_summary(outcomes, kept, plan.passed, out, suspects))


def _check_outputs(out: Path, suspects: Path | None, scheduler: str | None, processes: int | None) -> None:
    """Every reason to refuse that needs no look at the folder."""
    from vibeorder.batch.over_dask import needs_distributed
    from vibeorder.batch.table import check_kind

    check_kind(out, "--out")
    if suspects is not None:
        check_kind(suspects, "--suspects")
        door.check_writable(suspects, "--suspects", [out])
    if scheduler is not None:
        if processes is not None:
            raise VibeorderError(
                "--processes is for this machine; over --scheduler the cluster's workers decide"
            )
        needs_distributed()


def _left_to_do(tasks: "tuple[Task, ...]", journal: "Journal") -> "list[Task]":
    """The tasks whose outcome is not on record, or no longer holds."""
    from concurrent.futures import ThreadPoolExecutor

    from vibeorder.batch import is_current
    from vibeorder.batch.run import usable_cores

    def current(task: "Task") -> bool:
        kept = journal.kept.get(task.source)
        return kept is not None and is_current(task, kept)

    with ThreadPoolExecutor(usable_cores()) as pool:  # digests are computed outside the interpreter's lock
        return [task for task, done in zip(tasks, pool.map(current, tasks), strict=True) if not done]


def _work_off(
    left: "list[Task]", kept: int, journal: "Journal", processes: int | None, scheduler: str | None
) -> None:
    from vibeorder.batch import dask_results, local_results
    from vibeorder.batch.run import usable_cores

    if not left:
        return
    results = dask_results(left, scheduler) if scheduler else local_results(left, processes or usable_cores())
    with closing(results) as outcomes, _steps(kept, kept + len(left)) as step:  # type: ignore[type-var]
        for outcome in outcomes:
            journal.add(outcome)
            step(outcome)


@contextmanager
def _steps(done: int, total: int) -> Iterator[Step]:
    """Progress on stderr: a bar on a terminal, else a line per recording."""
    if sys.stderr.isatty():
        with _bar(done, total) as step:
            yield step
        return
    counted_on = _counter(done, total)

    def line(outcome: "Outcome") -> None:
        count, left = counted_on()
        door.say(f"{count} of {total}{left}  {outcome.source}: {_short(outcome)}\n", aside=True)

    yield line


@contextmanager
def _bar(done: int, total: int) -> Iterator[Step]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    columns = (
        BarColumn(),
        TextColumn("{task.completed} of {task.total}{task.fields[left]}  {task.description}"),
    )
    console = Console(stderr=True, markup=False, highlight=False)
    with Progress(*columns, console=console) as bar:
        job, counted_on = bar.add_task("", total=total, completed=done, left=""), _counter(done, total)

        def step(outcome: "Outcome") -> None:
            count, left = counted_on()
            bar.update(job, completed=count, left=left, description=_plain(outcome.source)[-40:])
            if outcome.error:
                bar.console.print(_plain(f"{outcome.source}: {outcome.error}"), soft_wrap=True)

        yield step


def _counter(done: int, total: int) -> Callable[[], tuple[int, str]]:
    """What counts one more each time: how many are done, and how long the rest takes, as `_left_text` says it."""
    count, began = done, time.monotonic()

    def counted_on() -> tuple[int, str]:
        nonlocal count
        count += 1
        return count, _left_text(time.monotonic() - began, count - done, total - count)

    return counted_on


def _left_text(spent_s: float, finished: int, left: int) -> str:
    """ ", 2 min left": as long for each of those left as for each of those finished; "" where none is left.

    >>> _left_text(30.0, 3, 1), _left_text(95.0, 4, 6), _left_text(3600.0, 10, 30), _left_text(9.0, 9, 0)
    (', 10 s left', ', 2 min left', ', 3 h left', '')
    """
    if not left:
        return ""
    seconds = spent_s / finished * left
    if seconds < 90.0:
        return f", {10.0 * max(round(seconds / 10.0), 1):.0f} s left"
    return f", {seconds / 60.0:.0f} min left" if seconds < 5400.0 else f", {seconds / 3600.0:.0f} h left"


def _plain(text: str) -> str:
    """Text that a terminal can show, with no marks that rich would read."""
    return "".join(c if c.isprintable() else "?" for c in text).replace("[", "(").replace("]", ")")


def _short(outcome: "Outcome") -> str:
    if outcome.result is None:
        return outcome.error
    suspects = outcome.result["suspects"]
    nothing = outcome.result["nothing_found_probability"]
    if not suspects or nothing > suspects[0]["probability"]:
        shake = outcome.result.get("unexplained")
        found = (
            f"a shake at {shake['frequency_hz']:.1f} Hz at no part's rate" if shake else "nothing that turns"
        )
        return f"{found}, {show_percent(nothing)}"
    return f"{suspects[0]['label']}, {show_percent(suspects[0]['probability'])}"


def _say_stopped(journal: "Journal", left: "list[Task]", kept: int) -> None:
    """kept: how many held at the start; of `left`, the journal may still have outcomes that no longer hold."""
    from vibeorder.batch import is_current

    done = kept + sum(
        task.source in journal.kept and is_current(task, journal.kept[task.source]) for task in left
    )
    door.say(
        f"Stopped: {done} of {kept + len(left)} are kept in {journal.path}; the same command goes on from there.\n",
        aside=True,
    )


def _hand_over(outcomes: "list[Outcome]", out: Path, suspects: Path | None) -> None:
    from vibeorder.batch import write_suspects, write_table

    door.write_output(out, "--out", lambda path: write_table(path, outcomes, out.suffix.lower()))
    if suspects is not None:
        kind = suspects.suffix.lower()
        door.write_output(suspects, "--suspects", lambda path: write_suspects(path, outcomes, kind))


def _summary(
    outcomes: "list[Outcome]", kept: int, passed: tuple[str, ...], out: Path, suspects: Path | None
) -> str:
    troubled = [one for one in outcomes if one.error]
    lines = [
        f"{counted(len(outcomes), 'recording')}: {len(outcomes) - len(troubled)} diagnosed, {len(troubled)} not."
    ]
    if kept:
        lines.append(f"{kept} of them were on record from before and were not done again.")
    lines += [f"- {one.source}: {one.error}" for one in troubled[:SHOWN_TROUBLES]]
    if len(troubled) > SHOWN_TROUBLES:
        lines.append(f"- and {len(troubled) - SHOWN_TROUBLES} more, in the column error")
    if passed:
        shown = ", ".join(passed[:SHOWN_TROUBLES]) + (", ..." if len(passed) > SHOWN_TROUBLES else "")
        lines.append(f"Passed over, no recordings by their names: {len(passed)} ({shown}).")
    lines.append(f"Written: {out}" + ("" if suspects is None else f", {suspects}"))
    return "\n".join(lines) + "\n"
