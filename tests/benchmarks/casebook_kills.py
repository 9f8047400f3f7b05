"""Writers of a casebook killed (SIGKILL) at random moments, and what is left: a table.

    python tests/benchmarks/casebook_kills.py [--kills 200]

Each writer adds entries of 100 kB without a pause. Every fifth is killed while it opens (and may be making)
the casebook, the others within some 60 ms of writing; every 20 kills a new file. "lost": acknowledged entries
that are not there afterwards. "extra": complete entries whose acknowledgement the kill cut off, at most one a
kill.
"""

import argparse
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from casebook_examples import live_and_die, sound_entries

PER_FILE = 20
AT_BIRTH = 5


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=200)
    kills = parser.parse_args(arguments).kills
    rng = np.random.default_rng(1)
    within = acknowledged = lost = extra = damaged = held = 0
    with tempfile.TemporaryDirectory() as folder:
        for kill in range(kills):
            path = Path(folder) / f"{kill // PER_FILE}.sqlite"
            before = 0 if kill % PER_FILE == 0 else held
            life = live_and_die(path, rng, at_birth=kill % AT_BIRTH == 0)
            within, acknowledged = within + life.writing, acknowledged + life.acknowledged
            try:
                held = sound_entries(path)
            except AssertionError:
                damaged += 1
                continue
            lost += max(before + life.acknowledged - held, 0)
            extra += max(held - before - life.acknowledged, 0)
    print("| kills | within a write | acknowledged entries | lost | extra | files damaged |")
    print("|---|---|---|---|---|---|")
    print(f"| {kills} | {within} | {acknowledged} | {lost} | {extra} | {damaged} |")


if __name__ == "__main__":
    main()
