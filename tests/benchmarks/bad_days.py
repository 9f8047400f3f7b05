"""What goes wrong around a program, tried on purpose, and what came out: a table.

    python tests/benchmarks/bad_days.py [--all] [--write docs/reliability.md]

Each runs the real command in a process of its own, in a folder of its own, from the sample recordings. The full disk
and the read-only one are small file systems in memory where root may mount them; else a limit on the size of files
and a folder without permission. --all adds what takes minutes: 200 kills on the casebook.
"""

import argparse
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from io import StringIO
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from casebook_examples import NOW, sound_entries
from casebook_kills import main as casebook_kills
from common import fill_page, table

from vibeorder.casebook import open_casebook

__all__ = ["QUICK", "SLOW", "Came"]

ROOT = Path(__file__).resolve().parents[2]
TRUCK = ROOT / "sample_data" / "truck.toml"
DRIVE = ROOT / "sample_data" / "tire.csv"
OLD = '{"kept": "from before"}'
DISK_BYTES = 96 << 10
LOADED_LAST, AT_WORK_S = "_flapack", 0.3
"""The library that the weighing loads when it begins, and how long it is at work then. While modules are still being
read an interrupt may end the interpreter by the signal itself, which a shell reports as 130 all the same."""
DRIVE_ROWS = 2500
"""Twelve seconds and a half: enough for a verdict, soon done."""


@dataclass(frozen=True, slots=True)
class Came:
    """What came out, in words, and whether that is what should."""

    out: str
    ok: bool


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table; exit 1 where something is not as it should be."""
    signal.signal(
        signal.SIGINT, signal.default_int_handler
    )  # a background job's children would not hear Ctrl-C
    parser = argparse.ArgumentParser()
    parser.add_argument("--all", action="store_true", help="also what takes minutes")
    parser.add_argument("--write", type=Path, metavar="PAGE")
    options = parser.parse_args(arguments)
    rows, wrong = [], 0
    for name, day in {**QUICK, **(SLOW if options.all else {})}.items():
        with tempfile.TemporaryDirectory() as folder:
            came = day(Path(folder))
        rows.append([name, came.out, "yes" if came.ok else "NO"])
        wrong += not came.ok
        sys.stderr.write(f"{rows[-1]}\n")
    text = table(["tried", "came out", "ok"], rows)
    sys.stdout.write(text + "\n")
    if options.write:
        fill_page(options.write, "bad days", text)
    return 1 if wrong else 0


# ---- the program, from outside


def command(*words: str | Path) -> list[str]:
    """The program with these words."""
    return [sys.executable, "-W", "error", "-m", "vibeorder.cli", *map(str, words)]


def surroundings(**more: str) -> dict[str, str]:
    """Environment of a process that runs the program from here."""
    return {**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1", **more}


def run(
    *words: str | Path, before: Callable[[], None] | None = None, **more: str
) -> subprocess.CompletedProcess[str]:
    """The program with these words, to its end."""
    return subprocess.run(
        command(*words), capture_output=True, text=True, env=surroundings(**more), timeout=120, check=False,
        preexec_fn=before, errors="replace",
    )  # fmt: skip


def drive(folder: Path) -> Path:
    """A sample recording's beginning."""
    path = folder / "drive.csv"
    path.write_text("".join(DRIVE.read_text().splitlines(keepends=True)[:DRIVE_ROWS]))
    return path


def long_drive(folder: Path) -> Path:
    """The sample three times on end: work for long enough that something can happen in the middle of it."""
    path = folder / "drive.csv"
    head, *rows = (line.split(",", 1) for line in DRIVE.read_text().splitlines(keepends=True))
    lasts_s = 2 * float(rows[-1][0]) - float(rows[-2][0])
    on_end = (f"{float(stamp) + k * lasts_s:.4f},{rest}" for k in range(3) for stamp, rest in rows)
    path.write_text(",".join(head) + "".join(on_end))
    return path


def diagnose(folder: Path, *words: str | Path, made: Callable[[Path], Path] = drive) -> list[str | Path]:
    return ["diagnose", made(folder), "--vehicle", TRUCK, "--gear", "8", *words]


def until_at_work(process: "subprocess.Popen[str]") -> None:
    """Wait until it has loaded what it needs and is busy with the recording, whoever else uses the cores."""
    loaded_at: float | None = None
    while process.poll() is None:
        cells = Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()
        worked = (int(cells[11]) + int(cells[12])) / os.sysconf("SC_CLK_TCK")
        if loaded_at is None and LOADED_LAST in Path(f"/proc/{process.pid}/maps").read_text():
            loaded_at = worked
        if loaded_at is not None and worked - loaded_at > AT_WORK_S:
            return
        time.sleep(0.01)


def sentence(done: subprocess.CompletedProcess[str]) -> str:
    """Exit code and the sentence on stderr; a traceback shows as one."""
    said = done.stderr.strip()
    return f"exit {done.returncode}: {said.splitlines()[-1] if said else 'nothing said'}"


def mended(done: subprocess.CompletedProcess[str], *words: str) -> bool:
    """One sentence with these words, exit 2."""
    one = done.stderr.strip().count("\n") == 0 and "Traceback" not in done.stderr
    return done.returncode == 2 and one and all(word in done.stderr for word in words)


def tidy(text: str, folder: Path) -> str:
    """A sentence without the folder's own name, short enough for a table."""
    out = text.replace(str(folder), "...").replace("|", "/")
    return out if len(out) < 150 else out[:147] + "..."


@contextmanager
def small_disk(folder: Path, *, read_only: bool = False) -> Iterator[Path | None]:
    """A file system of 96 kB in memory; None where it cannot be mounted."""
    place = folder / "disk"
    place.mkdir()
    if subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "tmpfs", str(place)], capture_output=True, check=False
    ).returncode:  # fmt: skip
        yield None
        return
    try:
        if read_only:
            subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def stuff(place: Path) -> None:
    """Fill the disk to its last byte."""
    with (place / "filler").open("wb", buffering=0) as file:
        try:
            while True:
                file.write(b"x" * 512)
        except OSError:
            return


def small_files() -> None:
    """Files of 4 kB at most for this process: the disk is full for whoever may not mount one."""
    import resource

    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))


# ---- disks


def full_disk_output(folder: Path) -> Came:
    """The older file stays, whole, and no piece of a new one."""
    with small_disk(folder) as disk:
        place = disk or folder
        out = place / "out.json"
        out.write_text(OLD)
        if disk:
            stuff(disk)
        done = run(*diagnose(folder, "--json", out), before=None if disk else small_files)
        kept = out.read_text() == OLD and not list(place.glob(".*out.json"))
    return Came(
        tidy(sentence(done), folder) + "; the older file is whole" * kept,
        mended(done, "--json", "out.json") and kept,
    )


def full_disk_casebook(folder: Path) -> Came:
    """What was kept before is there, what did not fit is said."""
    with small_disk(folder) as disk:
        book = (disk or folder) / "c.sqlite"
        told = run("job", "new", "--complaint", "shakes at 60", "--casebook", book)
        if disk:
            stuff(disk)
        done = run(
            "job", "decide", "1", "x" * 20_000, "--casebook", book, before=None if disk else small_files
        )
        (book.parent / "filler").unlink(missing_ok=True)
        with open_casebook(book) as again:
            jobs = len(again.jobs())
    text = f"{tidy(sentence(done), folder)}; jobs still there: {jobs}"
    return Came(text, told.returncode == 0 and mended(done) and jobs == 1)


def full_disk_batch(folder: Path) -> Came:
    """What was done is kept; with room again the same command goes on."""
    with small_disk(folder) as disk:
        if disk is None:
            return Came("not tried: no file system can be mounted here", True)
        (folder / "drives").mkdir()
        shutil.copy(drive(folder), folder / "drives" / "a.csv")
        shutil.copy(drive(folder), folder / "drives" / "b.csv")
        words = ("batch", folder / "drives", "--vehicles", TRUCK, "--gear", "8", "--out", disk / "r.csv")
        stuff(disk)
        done = run(*words, "--processes", "1")
        (disk / "filler").unlink()
        again = run(*words)
        rows = (disk / "r.csv").read_text().count("\n") - 1
    text = f"{tidy(sentence(done), folder)}; with room again: {rows} rows"
    return Came(
        text, done.returncode == 2 and "Traceback" not in done.stderr and again.returncode == 0 and rows == 2
    )


def read_only_disk(folder: Path, words: tuple[str, ...] = ()) -> Came:
    """Said before any work."""
    with small_disk(folder, read_only=True) as disk:
        place = disk or folder / "disk"
        if disk is None:
            place.chmod(0o555)
        made = [str(place / "x.sqlite") if word == "BOOK" else word for word in words]
        done = run(*made) if words else run(*diagnose(folder, "--json", place / "out.json"))
    return Came(tidy(sentence(done), folder), mended(done, "cannot be written"))


def standard_output_full(folder: Path) -> Came:
    """A report that cannot be written is not taken for one that was."""
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            command(*diagnose(folder)), stdout=full, stderr=subprocess.PIPE, text=True, env=surroundings(),
            timeout=120, check=False,
        )  # fmt: skip
    return Came(tidy(sentence(done), folder), mended(done) and "fault" not in done.stderr)


def no_place_for_temporary_files(folder: Path) -> Came:
    """Nothing needs one."""
    done = run(*diagnose(folder, "--json", folder / "o.json"), TMPDIR=str(folder / "none"))
    return Came(
        f"exit {done.returncode}, result written", done.returncode == 0 and (folder / "o.json").exists()
    )


# ---- others at the same files


def two_writers(folder: Path) -> Came:
    """Two processes keep 60 notes each in one job at once."""
    book, each = folder / "c.sqlite", 60
    with open_casebook(book, create=True) as made:
        job = made.add_job("shakes", "", "", NOW)
    code = (
        "from casebook_examples import NOW; from vibeorder.casebook import open_casebook; from pathlib import Path\n"
        "import hashlib, sys\n"
        f"for i in range({each}):\n"
        f"    with open_casebook(Path({str(book)!r})) as b:\n"
        "        t = sys.argv[1] + str(i)\n"
        f"        b.add({job}, 'decision', {{'text': t, 'sum': hashlib.sha256(t.encode()).hexdigest()}}, NOW)\n"
    )
    paths = os.pathsep.join([str(ROOT / "tests"), str(ROOT)])
    writers = [
        subprocess.Popen([sys.executable, "-c", code, name], env=surroundings(PYTHONPATH=paths))
        for name in "ab"
    ]
    codes = [writer.wait(120) for writer in writers]
    found = sound_entries(book)
    return Came(f"{found} of {2 * each} entries there, file sound", codes == [0, 0] and found == 2 * each)


def growing_recording(folder: Path) -> Came:
    """A logger that still writes: a verdict from what is there, or one sentence; never a traceback."""
    path = drive(folder)
    words: list[str | Path] = ["diagnose", path, "--vehicle", TRUCK, "--gear", "8"]
    rest, at = "".join(DRIVE.read_text().splitlines(keepends=True)[DRIVE_ROWS:]), 0
    with subprocess.Popen(
        command(*words), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=surroundings()
    ) as reader:
        while reader.poll() is None:
            with path.open("a") as file:  # cut anywhere, as buffers are
                file.write(rest[at : at + 1013])
            at += 1013
            time.sleep(0.005)
        assert reader.stdout is not None
        assert reader.stderr is not None
        out, said = reader.stdout.read(), reader.stderr.read()
    verdict = out.splitlines()[0] if out else said.strip()
    return Came(
        tidy(f"exit {reader.returncode}: {verdict}", folder),
        reader.returncode in (0, 2) and "Trace" not in said,
    )


def vanished_folder(folder: Path) -> Came:
    """The output's folder is gone when the work is done."""
    place = folder / "gone"
    place.mkdir()
    with subprocess.Popen(
        command(*diagnose(folder, "--json", place / "o.json", made=long_drive)), stderr=subprocess.PIPE, text=True,
        env=surroundings(), stdout=subprocess.PIPE,
    ) as work:  # fmt: skip
        until_at_work(work)
        place.rmdir()
        out, said = work.communicate(timeout=120)
    done = subprocess.CompletedProcess([], work.returncode, out, said)
    return Came(tidy(sentence(done), folder), mended(done, "--json"))


# ---- clocks


def stamps_jump(folder: Path, step_s: float) -> Came:
    """The phone's clock is set anew in the middle of the drive: the part is found, and what was seen is said."""
    path = folder / "drive.csv"
    shutil.copy(DRIVE, path)
    head, *rows = path.read_text().splitlines(keepends=True)
    moved = []
    for i, row in enumerate(rows):
        stamp, rest = row.split(",", 1)
        moved.append(f"{float(stamp) + (step_s if i > len(rows) // 4 else 0.0) + 90_000.0:.4f},{rest}")
    path.write_text(head + "".join(moved))
    done = run("diagnose", path, "--vehicle", TRUCK, "--gear", "8")
    words = " ".join(done.stdout.split())
    noted = next((w for w in ("sittings", "backward", "gap") if w in words), "")
    verdict = done.stdout.splitlines()[0] if done.stdout else done.stderr.strip()
    said = f"exit {done.returncode}: {verdict}" + (f"; says: {noted}" if noted else "")
    found = verdict.startswith("It is the tire or wheel, first order")
    return Came(tidy(said, folder), done.returncode == 0 and bool(noted) and found)


def system_clock_back(folder: Path) -> Came:
    """The computer's clock is set back a year between two entries: they stay in the order in which they were made."""
    with open_casebook(folder / "c.sqlite", create=True) as book:
        job = book.add_job("shakes", "", "", NOW)
        for i, days in enumerate((0, -365, 40_000, -1)):
            book.add(job, "decision", {"text": str(i)}, NOW + timedelta(days=days))
        order = [str(entry.body["text"]) for entry in book.job(job).entries]
    shown = run("job", "show", str(job), "--casebook", folder / "c.sqlite")
    ok = order == ["0", "1", "2", "3"] and shown.returncode == 0
    return Came(f"order of the entries: {' '.join(order)}", ok)


# ---- terminals and signals


def ctrl_c(folder: Path) -> Came:
    """In the middle of the work: no traceback, no piece of an output."""
    out = folder / "o.json"
    # as a user runs it: with -W error the interpreter itself complains of a module that it was reading just then
    words = [
        word
        for word in command(*diagnose(folder, "--json", out, made=long_drive))
        if word not in ("-W", "error")
    ]
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=surroundings(),
    ) as work:  # fmt: skip
        until_at_work(work)
        work.send_signal(signal.SIGINT)
        _, said = work.communicate(timeout=120)
    left = [path.name for path in folder.iterdir() if path.name != "drive.csv"]
    return Came(
        f"exit {work.returncode}, said: {said.strip() or 'nothing'}, files left: {len(left)}",
        work.returncode == 130 and "Traceback" not in said and not left,
    )


def in_a_shell(folder: Path, redirection: str, code: int, wanted: str = "") -> Came:
    """The program in a shell that closes or cuts what it writes to."""
    words = " ".join(f"'{word}'" for word in command(*diagnose(folder)))
    done = subprocess.run(
        ["bash", "-o", "pipefail", "-c", f"{words} {redirection}"], capture_output=True, text=True, env=surroundings(),
        timeout=120, check=False,
    )  # fmt: skip
    ok = done.returncode == code and "Traceback" not in done.stderr and wanted in done.stdout
    return Came(f"exit {done.returncode}, said: {tidy(done.stderr.strip(), folder) or 'nothing'}", ok)


def ascii_terminal(folder: Path) -> Came:
    """A terminal that knows no letter beyond ASCII, and a file whose name has some."""
    path = drive(folder).rename(folder / "Rüttelfahrt °.csv")
    done = run(
        "diagnose", path, "--vehicle", TRUCK, "--gear", "8",
        LC_ALL="C", LANG="C", PYTHONUTF8="0", PYTHONCOERCECLOCALE="0", PYTHONIOENCODING="ascii",
    )  # fmt: skip
    plain = done.stdout.isascii()
    return Came(f"exit {done.returncode}, {'only ASCII' if plain else 'other letters'} written",
                done.returncode == 0 and plain)  # fmt: skip


def killed_casebook(folder: Path, kills: int) -> Came:
    """Writers killed at random moments (tests/benchmarks/casebook_kills.py)."""
    said, sys.stdout = sys.stdout, StringIO()
    try:
        casebook_kills(["--kills", str(kills)])
        row = sys.stdout.getvalue().strip().splitlines()[-1]
    finally:
        sys.stdout = said
    _, within, acknowledged, lost, extra, damaged = [cell.strip() for cell in row.strip("|").split("|")]
    text = f"{kills} kills, {within} within a write, {acknowledged} entries acknowledged, {lost} lost"
    text += f", {extra} whole but not yet acknowledged, {damaged} files damaged"
    return Came(text, (lost, damaged) == ("0", "0"))


QUICK: dict[str, Callable[[Path], Came]] = {
    "diagnose --json onto a full disk where an older result lies": full_disk_output,
    "a casebook on a full disk": full_disk_casebook,
    "a batch on a full disk, then with room": full_disk_batch,
    "an output on a read-only disk": read_only_disk,
    "a casebook on a read-only disk": partial(
        read_only_disk, words=("job", "new", "--complaint", "it shakes", "--casebook", "BOOK")
    ),
    "standard output on a full disk": standard_output_full,
    "no folder for temporary files": no_place_for_temporary_files,
    "two processes write to one casebook at once": two_writers,
    "a recording that grows while it is read": growing_recording,
    "the output's folder vanishes during the work": vanished_folder,
    "the recording's clock jumps ahead a minute": partial(stamps_jump, step_s=60.0),
    "the recording's clock jumps ahead a day": partial(stamps_jump, step_s=86_400.0),
    "the recording's clock falls back an hour": partial(stamps_jump, step_s=-3600.0),
    "the computer's clock falls back a year between two entries": system_clock_back,
    "Ctrl-C in the middle": ctrl_c,
    "the reader of the output leaves (broken pipe)": partial(in_a_shell, redirection="| true", code=141),
    "standard input closed": partial(in_a_shell, redirection="<&-", code=0, wanted="tire"),
    "standard output closed": partial(in_a_shell, redirection=">&-", code=2),
    "standard error closed": partial(in_a_shell, redirection="2>&-", code=0, wanted="tire"),
    "an ASCII terminal, and a file name beyond ASCII": ascii_terminal,
    "10 writers of the casebook killed (SIGKILL)": partial(killed_casebook, kills=10),
}
"""A bad day -> what tries it, in a folder of its own. Seconds each."""

SLOW: dict[str, Callable[[Path], Came]] = {
    "200 writers of the casebook killed (SIGKILL)": partial(killed_casebook, kills=200),
}


if __name__ == "__main__":
    sys.exit(main())
