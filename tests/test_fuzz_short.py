"""A few hundred mutated inputs to everything that reads, the same at every run; tests/benchmarks/fuzz.py has no end."""

import os
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent / "benchmarks"))
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
from fuzz import SHARES, inputs
from fuzz_targets import SUFFIXES, tried

COUNTS = {
    "log": 120,
    "zip": 60,
    "sound": 60,
    "vehicle": 150,
    "speed log": 80,
    "bench form": 200,
    "speed beside": 12,
    "diagnosis": 1,
}


@pytest.mark.parametrize("target", SHARES)
def test_mutated_input_is_refused_in_a_sentence_or_read(target: str, tmp_path: Path) -> None:
    path, hows = tmp_path / f"input{SUFFIXES[target]}", set()
    for k, name, raw in inputs(COUNTS[target], 20, [target]):
        path.write_bytes(raw)
        came = tried(name, path)
        assert came.how in ("refused", "read"), f"input {k}: {came.said}"
        hows.add(came.how)
    assert target == "diagnosis" or hows == {"refused", "read"}  # else nothing was tried
