"""Plain logs read without pandas: the same numbers to the last bit, and everything else left to pandas."""

import subprocess
import sys
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from vibeorder.recording.plain import Columns, plain_columns
from vibeorder.recording.table import read_table

ROWS = "0.0000,-9.81,.5,\n0.0025,12.250,-0.00,13.4\n0.0050,007,5.,\n"


def parsed(text: str, separator: str = ",", decimal: str = ".") -> np.ndarray:
    frame = pd.read_csv(StringIO(text), header=None, sep=separator, decimal=decimal, skipinitialspace=True)
    return frame.to_numpy(float).T


@pytest.mark.parametrize(("separator", "decimal"), [(",", "."), (";", "."), (";", ","), ("\t", ",")])
def test_plain_numbers_are_those_of_pandas_to_the_last_bit(separator: str, decimal: str) -> None:
    rng = np.random.default_rng(3)
    numbers = rng.standard_normal((400, 4)) * 10.0 ** rng.integers(-2, 6, (400, 4))
    numbers[:, 0] = rng.integers(1, 10**9, 400)
    rows = [separator.join(f"{x:.{d}f}" for x, d in zip(row, (0, 2, 4, 6), strict=True)) for row in numbers]
    text = "\n".join(rows).replace(".", decimal) + "\n"
    found = plain_columns(text.encode(), 0, 4, separator, decimal)
    assert found is not None
    assert found.values.tobytes() == np.ascontiguousarray(parsed(text, separator, decimal)).tobytes()


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_empty_cells_headers_and_line_ends_are_read_as_by_pandas(line_end: str) -> None:
    text = ("t,x,y,speed\n" + ROWS + ",,,\n").replace("\n", line_end)
    found = plain_columns(text.encode(), 1, 4, ",", ".")
    assert found is not None and len(found) == 4
    np.testing.assert_array_equal(found.values, parsed(ROWS + ",,,\n"))
    assert np.signbit(found[2][1])


@pytest.mark.parametrize(
    "odd",
    [
        "0.0075,1,2\n",
        "0.0075,1,2,3,4\n",
        "0.0075,1-2,3,4\n",
        "0.0075,1.2.3,3,4\n",
        "0.0075,-,3,4\n",
        "0.0075,1e3,3,4\n",
        "0.0075,nan,3,4\n",
        "0.0075, 1,3,4\n",
        '0.0075,"1",3,4\n',
        "0.0075,1234567890.123456,3,4\n",
        "\n0.0075,1,3,4\n",
    ],
)
def test_what_is_not_plain_is_left_to_pandas(odd: str) -> None:
    assert plain_columns((ROWS + odd).encode(), 0, 4, ",", ".") is None
    assert plain_columns((ROWS + ROWS).encode(), 0, 4, ",", ".") is not None


def test_a_plain_log_is_read_without_importing_pandas(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    path.write_text("t,x,y,speed\n" + 30 * ROWS)
    assert isinstance(read_table(path).frame, Columns)
    code = (
        "import sys; from pathlib import Path; from vibeorder.recording.table import read_table;"
        "read_table(Path(sys.argv[1])); sys.exit('pandas' in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code, str(path)], check=True)
