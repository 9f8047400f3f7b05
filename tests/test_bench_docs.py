"""docs/bench.md shows what the program prints: `python tests/test_bench_docs.py` rewrites it."""

import contextlib
import io
import os
import re
import shlex
import sys
from pathlib import Path

import pytest

from vibeorder.bench import PLACES
from vibeorder.cli import main

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "docs" / "bench.md"
PLACES_PART = re.compile(r"(<!-- places -->).*?(<!-- end of places -->)", re.DOTALL)
BLOCK = re.compile(r"```console\n(.*?)```", re.DOTALL)


def printed(command: str) -> str:
    """What the command says on either stream, run from the project's folder."""
    said = io.StringIO()
    before = Path.cwd()
    os.chdir(ROOT)
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            main(shlex.split(command)[1:])
    finally:
        os.chdir(before)
    return said.getvalue()


def blocks(text: str) -> list[str]:
    return BLOCK.findall(text)


def as_run(block: str) -> str:
    """The block's commands, each followed by what it prints."""
    commands = [line for line in block.splitlines() if line.startswith("$ ")]
    return "".join(f"{line}\n{printed(line[2:])}" for line in commands)


def places_table() -> str:
    """Every place of the catalogue as a row."""
    rows = [
        f"| `{p.key}` | {p.kind} | {p.usual_limit_m / 2.54e-5:.0f} thou ({p.usual_limit_m * 1e3:.2f} mm) | "
        f"{p.usual_range} | {p.above} |"
        for p in PLACES
    ]
    return "\n".join(
        ["| place | read | default | seen in practice | above it |", "|---|---|---|---|---|", *rows]
    )


def with_places(page: str) -> str:
    return PLACES_PART.sub(lambda m: f"{m[1]}\n{places_table()}\n{m[2]}", page)


SHOWN = blocks(PAGE.read_text(encoding="utf-8"))


@pytest.mark.parametrize("block", SHOWN, ids=range(len(SHOWN)))
def test_the_page_shows_what_the_program_prints(block: str) -> None:
    assert block == as_run(block), "run python tests/test_bench_docs.py to rewrite docs/bench.md"


def test_every_bench_command_is_explained_with_an_example() -> None:
    text = "".join(SHOWN)
    for command in ("runout", "halfturn", "mate", "effect", "balance", "angles", "shaft"):
        assert f"vibeorder bench {command} " in text


def test_the_table_of_places_is_the_catalogue() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert page == with_places(page), "run python tests/test_bench_docs.py to rewrite docs/bench.md"


if __name__ == "__main__":
    page = with_places(PAGE.read_text(encoding="utf-8"))
    PAGE.write_text(BLOCK.sub(lambda m: f"```console\n{as_run(m[1])}```", page), encoding="utf-8")
    sys.stdout.write(f"{PAGE} written\n")
