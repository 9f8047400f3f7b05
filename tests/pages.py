"""Pages of docs/ whose ```console blocks are run: what is shown is what the program prints.

A block's lines that begin with "$ " are its commands. `<!-- only from "A" to "B" -->` above a block shows, of each
output, the lines from the first that begins with A up to the one that begins with B; `[...]` stands for the rest.
"""

import contextlib
import io
import os
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

from casebook_examples import NOW

from vibeorder import casebook_option, cli
from vibeorder.simulate import __main__ as simulator

__all__ = ["DOCS", "ROOT", "beside_samples", "commands_of", "printed", "with_outputs"]

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "docs"
BLOCK = re.compile(r'(<!-- only (?:from "([^"]*)" )?to "([^"]*)" -->\n)?```console\n(.*?)```', re.DOTALL)


def with_outputs(page: str) -> str:
    """The page with its blocks run in order, in the folder where we are."""
    return BLOCK.sub(_block, page)


def commands_of(page: str) -> list[str]:
    """Every command of the page, without its "$ "."""
    lines = [line for found in BLOCK.finditer(page) for line in found[4].splitlines()]
    return [line[2:] for line in lines if line.startswith("$ ")]


@contextlib.contextmanager
def beside_samples(folder: Path) -> Iterator[None]:
    """In `folder`, with sample_data beside us, one moment on the clock, and no casebook but the folder's own."""
    (folder / "sample_data").mkdir()
    for path in (ROOT / "sample_data").iterdir():
        (folder / "sample_data" / path.name).write_bytes(path.read_bytes())
    with (
        contextlib.chdir(folder),
        mock.patch.dict(os.environ),
        mock.patch.object(casebook_option, "now", lambda: NOW),
        mock.patch("vibeorder.casebook_cli.now", lambda: NOW),
    ):
        os.environ.pop("VIBEORDER_CASEBOOK", None)
        yield


def printed(command: str) -> str:
    """What the command says on either stream. AssertionError unless it ends well."""
    words, said = shlex.split(command), io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="\n")
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        if words[0] == "vibeorder":
            code = cli.main(words[1:])
        else:
            assert words[:3] == ["python", "-m", "vibeorder.simulate"], command
            simulator.main(words[3:])
            code = 0
    said.seek(0)
    text = said.read()
    assert code == 0, f"{command} ended with {code}: {text[-500:]}"
    return text


def _block(found: re.Match[str]) -> str:
    only, first, last, inside = found[1] or "", found[2], found[3], found[4]
    commands = [line for line in inside.splitlines() if line.startswith("$ ")]
    outputs = (printed(line[2:]) for line in commands)
    shown = (_cut(text, first, last) if only else text for text in outputs)
    text = "".join(f"{command}\n{output}" for command, output in zip(commands, shown, strict=True))
    return f"{only}```console\n{text}```"


def _cut(text: str, first: str | None, last: str) -> str:
    lines = text.splitlines()
    begin = 0 if first is None else _line(lines, first)
    end = _line(lines, last)
    kept = "\n".join(lines[begin:end]).rstrip()
    return ("" if begin == 0 else "[...]\n") + f"{kept}\n[...]\n"


def _line(lines: list[str], start: str) -> int:
    places = [i for i, line in enumerate(lines) if line.startswith(start)]
    assert places, f"no line begins with {start!r}"
    return places[0]
