"""--job and --casebook on any command: `JobCommand` adds them, `keep_...` stores what the command found.

A command needs one word (`cls=JobCommand`) and one line; without --job nothing happens, nothing is imported.
"""

from collections.abc import Mapping, Sequence
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperCommand

from vibeorder import door
from vibeorder.errors import VibeorderError

if TYPE_CHECKING:
    from vibeorder.diagnosis.result import Diagnosis

__all__ = ["JobCommand", "keep_comparison", "keep_diagnoses", "keep_reading", "now", "runout_in_the_job"]

OUTPUTS = ("json", "plot", "sheet", "why_plot")


@dataclass(frozen=True, slots=True)
class OpenJob:
    """The job that the running command writes to, and what was typed for that command."""

    casebook: Path
    number: int
    inputs: Mapping[str, Any]


_RUNNING: ContextVar[OpenJob | None] = ContextVar("job", default=None)


def now() -> datetime:
    """The one clock of the casebook's doors: UTC."""
    return datetime.now(UTC)


def _options() -> list[Any]:
    """The two options, as typer makes them."""
    app = typer.Typer(add_completion=False)

    @app.command()
    def both(
        job: Annotated[
            int | None,
            typer.Option("--job", metavar="N", help="Keep the result in this job of the casebook."),
        ] = None,
        casebook: Annotated[
            Path | None,
            typer.Option(
                metavar="FILE", help="The casebook; else VIBEORDER_CASEBOOK, else casebook.sqlite here."
            ),
        ] = None,
    ) -> None:
        """Only its options are used."""

    return [one for one in typer.main.get_command(app).params if one.name in ("job", "casebook")]


class JobCommand(TyperCommand):
    """A command with --job and --casebook; a job that cannot be written is said before any work is done."""

    def __init__(self, *arguments: Any, **more: Any) -> None:
        super().__init__(*arguments, **more)
        self.params = [*self.params, *_options()]

    def parse_args(self, ctx: Any, args: list[str]) -> Any:
        """As any command's, but an option is never taken for the value of the one before it."""
        options: list[Any] = [one for one in self.params if one.param_type_name == "option"]
        every = {
            word for one in options for word in (*one.opts, *one.secondary_opts) if word.startswith("--")
        }
        valued = {word for one in options if not one.is_flag and one.nargs == 1 for word in one.opts}
        for word, following in pairwise(args):
            if word in valued and following.partition("=")[0] in every:
                raise VibeorderError(
                    f"{word} needs a value, and {following} follows it; vibeorder {self.name} --help says which"
                )
        return super().parse_args(ctx, args)

    def invoke(self, ctx: Any) -> Any:
        """Run the command with its job at hand."""
        number, casebook = ctx.params.pop("job"), ctx.params.pop("casebook")
        if number is None:
            if casebook is not None:
                raise VibeorderError("--casebook says where to keep the result; --job N says in which job")
            return super().invoke(ctx)
        token = _RUNNING.set(_open_job(number, casebook, ctx.params))
        try:
            return super().invoke(ctx)
        finally:
            _RUNNING.reset(token)


def _open_job(number: int, casebook: Path | None, params: Mapping[str, Any]) -> OpenJob:
    from vibeorder.casebook import casebook_path, open_casebook

    path = casebook_path(casebook)
    for name in OUTPUTS:
        if params.get(name) not in (None, "-"):
            door.check_writable(Path(params[name]), f"--{name.replace('_', '-')}", [path])
    with open_casebook(path) as book:
        if book.job(number).closed:
            raise VibeorderError(
                f"job {number} is closed; vibeorder job close {number} --undo opens it again"
            )
    typed = {name: _typed(value) for name, value in params.items() if name not in OUTPUTS}
    return OpenJob(
        path, number, {name: value for name, value in typed.items() if value not in (None, [], False)}
    )


def _typed(value: Any) -> Any:
    """An input as it was typed; of files only the name, since folders say who works where."""
    if isinstance(value, list | tuple):
        return [_typed(item) for item in value]
    return value.name if isinstance(value, Path) else value


def keep_reading(result: Mapping[str, Any], *, aside: bool) -> None:
    """Store a bench result, where --job was given. aside: standard output is not for sentences."""
    job = _RUNNING.get()
    if job is not None:
        from vibeorder.casebook import reading_body

        _add(job, "reading", reading_body(result, job.inputs), str(result["command"]), aside)


def keep_diagnoses(
    paths: Sequence[Path], results: "Sequence[Diagnosis]", together: "Diagnosis", *, aside: bool
) -> None:
    """Store recordings with their diagnoses, and what they say together, where --job was given."""
    job = _RUNNING.get()
    if job is None:
        return
    from vibeorder.casebook import recording_body, together_part
    from vibeorder.report import as_dict

    inputs = {name: value for name, value in job.inputs.items() if name != "recordings"}
    joint = together_part(as_dict(together)) if len(results) > 1 else {}
    for path, result in zip(paths, results, strict=True):
        body = recording_body(path, history=result.history, diagnosis=as_dict(result), inputs=inputs)
        _add(job, "recording", {**body, **joint}, path.name, aside)


def keep_comparison(
    before: Path, after: Path, result: Mapping[str, Any], after_diagnosis: "Diagnosis", *, aside: bool
) -> None:
    """Store the second recording and the comparison, where --job was given."""
    job = _RUNNING.get()
    if job is None:
        return
    from vibeorder.casebook import comparison_body, recording_body
    from vibeorder.report import as_dict

    history, diagnosis = after_diagnosis.history, as_dict(after_diagnosis)
    second = recording_body(after, role="after", history=history, diagnosis=diagnosis, inputs=job.inputs)
    _add(job, "recording", second, after.name, aside)
    _add(job, "comparison", comparison_body(result, before, after, job.inputs), "comparison", aside)


def runout_in_the_job() -> bool:
    """Whether the job of the running command has its runout within limits on record; says so if it has."""
    job = _RUNNING.get()
    if job is None:
        return False
    from vibeorder.casebook import open_casebook, runout_on_record, runouts_within_limits

    with open_casebook(job.casebook) as book:
        record = book.job(job.number)
    if not runouts_within_limits(record):
        return False
    places = ", ".join(runout_on_record(record))
    door.say(f"Runout within limits on record in job {job.number}: {places}.\n", aside=True)
    return True


def _add(job: OpenJob, kind: str, body: Mapping[str, Any], what: str, aside: bool) -> None:
    from vibeorder.casebook import open_casebook

    with open_casebook(job.casebook) as book:
        book.add(job.number, kind, body, now())
    door.say(f"Kept in job {job.number}: {what}.\n", aside=aside)
