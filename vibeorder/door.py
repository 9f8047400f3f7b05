"""The one place where errors become a sentence and an exit code; every command goes out through here.

Exit codes: 0 with a result, 1 when the fault is ours, 2 for what the user can mend, 130 after Ctrl-C,
141 when whoever read our output left (as a shell counts a broken pipe).
"""

import errno
import gc
import io
import os
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from vibeorder import __version__
from vibeorder.errors import VibeorderError

__all__ = [
    "DEBUG_VARIABLE",
    "check_outputs",
    "check_writable",
    "importing",
    "output_error",
    "say",
    "walk_out",
    "write_output",
]

OURS, MENDABLE, INTERRUPTED, READER_LEFT = 1, 2, 130, 141
DEBUG_VARIABLE = "VIBEORDER_DEBUG"
PLACES = (
    errno.EACCES,
    errno.EPERM,
    errno.ENAMETOOLONG,
    errno.ELOOP,
    errno.EROFS,
    errno.ENOSPC,
    errno.EIO,
)
"""What is wrong with a place and not with us, where nobody nearer has said so."""
LONGEST_NAME = 80
PICTURES = (".png", ".svg", ".pdf")
PARSERS_WORDS = {
    "Input should be a valid integer, unable to parse string as an integer": "it must be a whole number",
    "Input should be a valid number, unable to parse string as a number": "it must be a number",
    "Input should be": "it must be",
    "requires an argument": "needs a value after it",
    "issing argument": "issing",
}
"""What the command line's parser says -> as we would say it."""
PLAIN = {"±": "+-", "²": "^2", "×": "x", "÷": "/", "½": "1/2", "°": " deg", "–": "-"}


def walk_out(command: Callable[[], object]) -> int:
    """Run `command` and return the exit code, having said on stderr what went wrong, in one sentence."""
    _open_streams()
    try:
        code = command()
        sys.stdout.flush()
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else MENDABLE * bool(leaving.code)
    except VibeorderError as error:
        _one_sentence(str(error))
        return MENDABLE
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        _close_quietly()
        return READER_LEFT
    except MemoryError:
        _one_sentence("There is not enough free memory; close other programs or use a shorter recording")
        return MENDABLE
    except OSError as error:
        if error.errno not in PLACES or error.filename is None:
            return _our_fault(error)
        named = str(error.filename)
        short = named if len(named) <= LONGEST_NAME else f"{named[:LONGEST_NAME]}..."
        _one_sentence(f"{short} cannot be used: {error.strerror}; give another place or name")
        return MENDABLE
    except Exception as fault:
        return MENDABLE if _said_of_words(fault) else _our_fault(fault)
    return code if isinstance(code, int) else 0


@contextmanager
def importing() -> Iterator[None]:
    """For large imports: what they make stays, and looking for garbage meanwhile, a tenth of their time, finds none."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


def say(text: str, *, aside: bool = False) -> None:
    """Write text to stdout, or to stderr as an aside; what the terminal cannot show is written in plain letters."""
    stream = sys.stderr if aside else sys.stdout
    try:
        stream.write(_encodable(text, stream.encoding or "utf-8"))
        stream.flush()
    except BrokenPipeError:
        _close_quietly()
        raise SystemExit(READER_LEFT) from None
    except OSError as error:  # a full disk behind it, or closed: an aside is lost, a result must not be
        if not aside:
            _close_quietly()
            raise VibeorderError(
                f"standard output cannot be written: {error.strerror or error}; send it to another place"
            ) from error


def _encodable(text: str, encoding: str) -> str:
    """Text in the letters that an encoding has; "?" for what has no plain way of writing it."""
    for sign, plain in PLAIN.items():
        if sign in text:
            try:
                sign.encode(encoding)
            except UnicodeEncodeError:
                text = text.replace(sign, plain)
    return text.encode(encoding, "replace").decode(encoding)


def check_writable(path: Path, option: str, inputs: Iterable[Path]) -> None:
    """Refuse, before any work, an output that would overwrite an input or that cannot be written."""
    for other in inputs:
        if _same(path, other):
            raise VibeorderError(f"{option} {path} would overwrite the file it reads; choose another name")
    if path.is_dir():
        raise VibeorderError(f"{option} {path} is a folder; give a file name in it")
    if not path.parent.is_dir():
        raise VibeorderError(f"{option} {path}: there is no folder {path.parent}; make it first")
    if not os.access(path if path.exists() else path.parent, os.W_OK):
        raise VibeorderError(f"{option} {path} cannot be written: no permission; choose another place")


def check_outputs(json: str | None, outputs: Mapping[str, Path | None], inputs: Iterable[Path]) -> None:
    """Refuse, before any work, outputs that would overwrite an input or each other, or that cannot be written.

    json: a file, "-" or None. outputs: option -> file; one whose name ends in "plot" takes a picture.
    """
    read = tuple(inputs)
    written: dict[Path, str] = {}
    for option, path in {"--json": None if json in (None, "-") else Path(str(json)), **outputs}.items():
        if path is None:
            continue
        check_writable(path, option, read)
        twin = next((said for other, said in written.items() if _same(path, other)), None)
        if twin is not None:
            raise VibeorderError(f"{option} {path} would overwrite what {twin} writes; choose another name")
        if option.endswith("plot") and path.suffix.lower() not in PICTURES:
            raise VibeorderError(f"{option} {path}: a picture ends in .png, .svg or .pdf")
        written[path] = option


def write_output(path: Path, option: str, write: Callable[[Path], object]) -> None:
    """Let `write` make the file, whole or not at all; a full disk or a vanished folder is one sentence.

    An older file of that name is replaced only when the new one is complete.
    """
    special = path.exists() and not path.is_file()  # a pipe or a device has nothing to be replaced
    real = Path(os.path.realpath(path)) if path.is_symlink() else path  # resolve() fails on a link to itself
    target = real if special else real.with_name(f".{os.getpid()}-{real.name}")
    try:
        write(target)
        if not special:
            target.replace(real)
    except OSError as error:
        raise output_error(path, option, error) from error
    finally:
        if not special:
            target.unlink(missing_ok=True)


def output_error(path: Path, option: str, error: OSError) -> VibeorderError:
    """The sentence for an output that could not be written."""
    return VibeorderError(f"{option} {path} cannot be written: {error.strerror or error}")


def _same(path: Path, other: Path) -> bool:
    try:
        return path.samefile(other)
    except OSError:
        return path.absolute() == other.absolute()


def _one_sentence(text: str) -> None:
    say(" ".join(text.split()) + "\n", aside=True)


def _said_of_words(fault: Exception) -> bool:
    """Say what is wrong with the words typed, if that is it: told by its looks, as typer keeps the class to itself."""
    words, context = getattr(fault, "format_message", None), getattr(fault, "ctx", None)
    if not callable(words):
        return False
    text = str(words())
    if "\n" in text:  # a group without a command: its help
        say(f"{text}\n", aside=True)
        return True
    for parsers, ours in PARSERS_WORDS.items():
        text = text.replace(parsers, ours)
    text = text[:1].lower() + text[1:].rstrip(". ")
    path = getattr(context, "command_path", "vibeorder")
    _one_sentence(f"{text}{'' if text.endswith('?') else ';'} {path} --help lists what can be typed")
    return True


def _our_fault(fault: Exception) -> int:
    """Say that the fault is ours and where the details are; the traceback only for who asked for it."""
    told = "".join(traceback.format_exception(fault))
    if os.environ.get(DEBUG_VARIABLE) == "1":
        say(told, aside=True)
        return OURS
    kind = type(fault).__name__
    _one_sentence(
        f"This is a fault in vibeorder, not in your files ({kind}); {_keep_log(told)}, "
        f"or run the command again with {DEBUG_VARIABLE}=1 to see them."
    )
    return OURS


def _keep_log(told: str) -> str:
    header = f"vibeorder {__version__}, Python {sys.version.split()[0]}, {sys.platform}\n"
    try:
        handle, name = tempfile.mkstemp(prefix="vibeorder-fault-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(header + " ".join(sys.argv) + "\n" + told)
    except OSError:
        return "please report it with the details"
    return f"please report it with the details in {name}"


class _Closed(io.StringIO):
    """Stands for a standard output that was closed before we began (>&-)."""

    def write(self, text: str, /) -> int:
        """Fail as a full disk would."""
        raise OSError(errno.EBADF, "it is closed")


def _open_streams() -> None:
    """Stand-ins for closed streams: what is said aside is lost, a result must not be."""
    if sys.stderr is None:
        sys.stderr = io.StringIO()
    if sys.stdout is None:
        sys.stdout = _Closed()


def _close_quietly() -> None:
    """Point stdout at nothing, so that the interpreter's last flush meets no broken pipe."""
    if isinstance(sys.stdout, _Closed):
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)
