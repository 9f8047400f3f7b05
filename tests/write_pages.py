"""Write anew everything that a page shows of the program: every page one after another.

    python tests/write_pages.py [NAME ...]

NAME picks pages (readme, walkthrough, how_to_record, cli_docs, bench_docs, casebook_docs, ...); without any, all of
them. Each `tests/test_*.py` that can be run as a program writes its own page, so a new one is found by itself.
Figures that take long to measure (docs/accuracy.md) have their own commands in tests/benchmarks.
"""

import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

TESTS = Path(__file__).resolve().parent


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the pages; the number of those that could not be written."""
    named = list(sys.argv[1:] if arguments is None else arguments)
    paths = os.pathsep.join([str(TESTS.parent), str(TESTS)])
    surroundings = {**os.environ, "PYTHONPATH": paths, "OPENBLAS_NUM_THREADS": "1"}
    failed = 0
    for writer in writers():
        if named and writer.stem.removeprefix("test_") not in named:
            continue
        failed += subprocess.run([sys.executable, str(writer)], env=surroundings, check=False).returncode != 0
    return failed


def writers() -> list[Path]:
    """Every test of a page that can write it."""
    return [path for path in sorted(TESTS.glob("test_*.py")) if writes_a_page(path.read_text("utf-8"))]


def writes_a_page(source: str) -> bool:
    """Whether a test writes its page when it is run as a program."""
    _, main_part, writing = source.partition('if __name__ == "__main__":')
    return bool(main_part) and "PAGE.write_text(" in writing


if __name__ == "__main__":
    sys.exit(main())
