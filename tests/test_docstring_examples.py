"""The examples in docstrings give what stands beneath them."""

import doctest
import importlib
from pathlib import Path

import pytest
from pages import ROOT

WITH_EXAMPLES = [
    path
    for path in sorted((ROOT / "vibeorder").rglob("*.py"))
    if ">>> " in path.read_text(encoding="utf-8") and path.name != "__main__.py"
]


@pytest.mark.parametrize("path", WITH_EXAMPLES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_examples_in_docstrings_give_what_stands_beneath_them(path: Path) -> None:
    module = importlib.import_module(".".join(path.relative_to(ROOT).with_suffix("").parts))
    tried = doctest.testmod(module)
    assert tried.attempted > 0 and tried.failed == 0
