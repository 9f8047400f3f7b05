"""README.md shows what its first command prints: `PYTHONPATH=. python tests/test_readme.py` rewrites it."""

import contextlib
import re
import shlex
import sys

from pages import DOCS, ROOT, printed

PAGE = ROOT / "README.md"
PICTURE = DOCS / "pinion_flange.png"
BLOCK = re.compile(r"(```text\n)(.*?)(```)", re.DOTALL)
REST = "\n\nSpeed, gear and tire\n"
"""README says in words what comes below this."""


def first_command(page: str) -> str:
    """The words behind `vibeorder` in the first command, the program's name included."""
    line = next(line for line in page.splitlines() if "&& .venv/bin/vibeorder " in line)
    return f"vibeorder {line.split('&& .venv/bin/vibeorder ', 1)[1]}"


def as_run(page: str) -> str:
    """README with what its first command prints, down to the fit."""
    report = printed(first_command(page))
    assert REST in report
    return BLOCK.sub(lambda found: f"{found[1]}{report.split(REST, 1)[0]}\n{found[3]}", page, count=1)


def test_readme_shows_what_its_first_command_prints() -> None:
    page = PAGE.read_text(encoding="utf-8")
    with contextlib.chdir(ROOT):
        assert page == as_run(page), "run PYTHONPATH=. python tests/test_readme.py to rewrite README.md"


def test_the_first_command_needs_nothing_but_this_folder() -> None:
    words = shlex.split(first_command(PAGE.read_text(encoding="utf-8")))
    files = [word for word in words if "." in word]
    assert files
    assert [name for name in files if not (ROOT / name).is_file()] == []


def test_the_picture_beside_it_is_a_picture() -> None:
    assert PICTURE.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")  # ISO/IEC 15948, 5.2


if __name__ == "__main__":
    with contextlib.chdir(ROOT):
        text = PAGE.read_text(encoding="utf-8")
        PAGE.write_text(as_run(text), encoding="utf-8")
        printed(f"{first_command(text)} --plot {shlex.quote(str(PICTURE))}")
    sys.stdout.write("README.md and docs/pinion_flange.png are written\n")
