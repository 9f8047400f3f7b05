"""`vibeorder job ...`: a job from complaint to verified repair. Words in and out."""

import json as json_text
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vibeorder import door
from vibeorder.casebook_option import now
from vibeorder.errors import VibeorderError
from vibeorder.recording_words import Axes, Unit

if TYPE_CHECKING:
    from vibeorder.casebook import Casebook

__all__ = ["app"]

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="One job from complaint to verified repair, on record.",
)

Number = Annotated[int, typer.Argument(metavar="JOB", help="Number of the job, as job list shows it.")]
Book = Annotated[
    Path | None,
    typer.Option(
        "--casebook", metavar="FILE", help="The casebook; else VIBEORDER_CASEBOOK, else casebook.sqlite here."
    ),
]
Complaint = Annotated[
    str,
    typer.Option(metavar="TEXT", help="What shakes, when and how; leave out who reports it and the plate."),
]
Profile = Annotated[Path | None, typer.Option("--vehicle", metavar="FILE", help="Vehicle profile (TOML).")]
Json = Annotated[
    str | None, typer.Option(metavar="FILE", help="Write it as JSON; - writes it to standard output.")
]
RecordingFiles = Annotated[list[Path], typer.Argument(metavar="RECORDING", help="Recordings of this job.")]
After = Annotated[bool, typer.Option("--after", help="Recorded after the repair.")]
KeepFile = Annotated[bool, typer.Option("--keep-file", help="Keep the file itself in the casebook too.")]
DiagnosisFile = Annotated[
    Path | None,
    typer.Option("--diagnosis", metavar="FILE", help="What diagnose --json wrote for this recording."),
]
ResultFile = Annotated[Path, typer.Argument(metavar="RESULT", help="What a bench command wrote with --json.")]
Text = Annotated[str, typer.Argument(metavar="TEXT", help="In a few words.")]
Undo = Annotated[bool, typer.Option("--undo", help="Open the job again.")]
Note = Annotated[str, typer.Option(metavar="TEXT", help="What else to say about it.")]
Target = Annotated[Path, typer.Argument(metavar="TARGET", help="A new folder, or a file that ends in .json.")]
Source = Annotated[Path, typer.Argument(metavar="SOURCE", help="The folder or file that job export wrote.")]


@app.command()
def new(complaint: Complaint, vehicle: Profile = None, casebook: Book = None) -> None:
    """Open a job, and a casebook if there is none yet."""
    name = profile = ""
    if vehicle is not None:
        from vibeorder.vehicle import load_vehicle

        name, profile = load_vehicle(vehicle).name, vehicle.read_text("utf-8-sig")
    with _book(casebook, create=True) as book:
        number = book.add_job(complaint, name, profile, now())
        door.say(f"Job {number} is open in {book.path}: {' '.join(complaint.split())}\n")


@app.command("list")
def list_jobs(json: Json = None, casebook: Book = None) -> None:
    """Every job, newest first."""
    from dataclasses import asdict

    from vibeorder.casebook import job_list

    with _book(casebook) as book:
        jobs = book.jobs()
        _hand_over(job_list(jobs), {"schema": 1, "jobs": [asdict(job) for job in jobs]}, json, book.path)


@app.command()
def show(job: Number, json: Json = None, casebook: Book = None) -> None:
    """One job: complaint, vehicle, and what happened, in order."""
    from vibeorder.casebook import job_text
    from vibeorder.casebook.exchange import as_dict

    with _book(casebook) as book:
        found = book.job(job)
        content = {"number": found.number, "closed": found.closed, **as_dict(found)}
        _hand_over(job_text(found), content, json, book.path)


@app.command("add-recording", short_help="Put recordings on record without judging them.")
def add_recording(
    job: Number,
    recordings: RecordingFiles,
    after: After = False,
    keep_file: KeepFile = False,
    diagnosis: DiagnosisFile = None,
    axes: Axes = None,
    unit: Unit = None,
    casebook: Book = None,
) -> None:
    """Put recordings on record by name and fingerprint; diagnose --job does it with the diagnosis."""
    from vibeorder.casebook import digest_of, misshapen, recording_body
    from vibeorder.recording import read_apart, typed_options

    if diagnosis is not None and len(recordings) > 1:
        raise VibeorderError("--diagnosis belongs to one recording; add one at a time")
    said = None if diagnosis is None else _read_json(diagnosis, "verdict", "what diagnose --json wrote")
    if wrong := misshapen("recording", {"diagnosis": said}):
        raise VibeorderError(
            f"{diagnosis}: {wrong.removeprefix('diagnosis.')}; give what diagnose --json wrote"
        )
    role = "after" if after else "before"
    options = typed_options(axes=axes, unit=unit)
    with _book(casebook) as book:
        book.job(job)
        for path in recordings:
            history = read_apart(path, options).history
            body = recording_body(path, role=role, history=history, diagnosis=said, kept=keep_file)
            files = {}
            if keep_file:
                if path.is_dir():
                    raise VibeorderError(f"{path} is a folder; --keep-file keeps single files: zip it first")
                files = {digest_of(path)[0]: path.read_bytes()}
            book.add(job, "recording", body, now(), files)
            door.say(f"Kept in job {job}: {path.name}, {role} the repair.\n")


@app.command("add-reading", short_help="Put an earlier bench result on record.")
def add_reading(job: Number, result: ResultFile, casebook: Book = None) -> None:
    """Put an earlier bench result on record; bench ... --job does it at once."""
    from vibeorder.casebook import reading_body

    content = _read_json(result, "command", "what a bench command wrote with --json")
    try:
        body = reading_body(content, {})
    except VibeorderError as error:
        raise VibeorderError(f"{result}: {error}") from None
    with _book(casebook) as book:
        book.add(job, "reading", body, now())
    door.say(f"Kept in job {job}: {body['command']}.\n")


@app.command()
def decide(job: Number, text: Text, casebook: Book = None) -> None:
    """Put a decision on record: what to do next, and why."""
    _add_text(casebook, job, "decision", text)
    door.say(f"Decision kept in job {job}.\n")


@app.command()
def cure(job: Number, text: Text, casebook: Book = None) -> None:
    """Put the cure on record: what was repaired or replaced."""
    _add_text(casebook, job, "cure", text)
    door.say(
        f"Cure kept in job {job}; drive again and compare before.csv after.csv --job {job} to prove it.\n"
    )


@app.command()
def close(job: Number, note: Note = "", undo: Undo = False, casebook: Book = None) -> None:
    """Close a job, or open it again."""
    from vibeorder.casebook import last_comparison

    with _book(casebook) as book:
        proven = last_comparison(book.job(job))
        book.add(job, "reopened" if undo else "closed", {"text": note}, now())
    if undo:
        door.say(f"Job {job} is open again.\n")
    elif proven is None:
        door.say(f"Job {job} is closed, without a second recording to prove the repair.\n")
    else:
        door.say(f"Job {job} is closed; the last comparison says: {proven or 'nothing that can be read'}.\n")


@app.command(short_help="Write a job as a folder or as one JSON file.")
def export(job: Number, target: Target, casebook: Book = None) -> None:
    """Write a job as one folder (JSON and files) or as one JSON file."""
    from vibeorder.casebook import as_files, as_json

    with _book(casebook) as book:
        found = book.job(job)
        files = book.kept_files(found)
        source = book.path
    if target.suffix.lower() == ".json":
        door.check_writable(target, "export", [source])
        door.write_output(target, "export", lambda path: path.write_text(as_json(found, files), "utf-8"))
    else:
        _write_folder(target, as_files(found, files))
    door.say(f"Job {job} is written to {target}.\n")


@app.command("import", short_help="Bring in a job that job export wrote.")
def import_job(source: Source, casebook: Book = None) -> None:
    """Bring in a job that job export wrote, from here or elsewhere."""
    from vibeorder.casebook import read_export

    job, files = read_export(source)
    with _book(casebook, create=True) as book:
        number, new_here = book.put(job, files)
        where = f"job {number} in {book.path}"
    door.say(f"{source} is now {where}.\n" if new_here else f"{source} is already {where}, unchanged.\n")


def _book(path: Path | None, *, create: bool = False) -> "Casebook":
    from vibeorder.casebook import casebook_path, open_casebook

    return open_casebook(casebook_path(path), create=create)


def _add_text(casebook: Path | None, job: int, kind: str, text: str) -> None:
    from vibeorder.casebook.plain import text_line

    with _book(casebook) as book:
        book.add(job, kind, {"text": text_line(text, kind)}, now())


def _read_json(path: Path, key: str, what: str) -> dict[str, Any]:
    from vibeorder.casebook import trouble_in

    if path.is_char_device():  # some never end
        raise VibeorderError(f"{path} is a device; give {what}")
    try:
        content = json_text.loads(path.read_text("utf-8"))
    except OSError as error:
        raise VibeorderError(f"{path} cannot be read: {error.strerror or error}") from error
    except (ValueError, RecursionError) as error:
        raise VibeorderError(f"{path} is not JSON ({error}); give {what}") from error
    if not isinstance(content, dict) or key not in content:
        raise VibeorderError(f"{path} has no {key!r}; give {what}")
    if trouble := trouble_in(content):
        raise VibeorderError(f"{path}: {trouble}; give {what}")
    return content


def _hand_over(text: str, content: dict[str, Any], json: str | None, book: Path) -> None:
    written = json_text.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    if json == "-":
        door.say(written)
        return
    if json is not None:
        door.check_writable(Path(json), "--json", [book])
        door.write_output(Path(json), "--json", lambda path: path.write_text(written, "utf-8"))
    door.say(text + "\n")


def _write_folder(target: Path, files: dict[str, bytes]) -> None:
    """The whole folder or nothing: it gets its name when all is in it."""
    import os
    import shutil

    if target.exists():
        raise VibeorderError(
            f"export {target} is there already; name a new folder, or a file that ends in .json"
        )
    unfinished = target.with_name(f".{os.getpid()}-{target.name}")
    try:
        for name, content in files.items():
            path = unfinished / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        unfinished.replace(target)
    except OSError as error:
        shutil.rmtree(unfinished, ignore_errors=True)
        raise door.output_error(target, "export", error) from error
