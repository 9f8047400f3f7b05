"""The wheel as somebody would install it, built from a copy of the tree, for the test and the benchmark."""

import shutil
import subprocess
import sys
from pathlib import Path

__all__ = ["ROOT", "build_wheel", "package_files"]

ROOT = Path(__file__).resolve().parents[1]
NEEDED = ("pyproject.toml", "README.md", "LICENSE")

BACKEND = "import sys, setuptools.build_meta as backend; backend.build_wheel(sys.argv[1])"


def build_wheel(folder: Path, python: str = sys.executable) -> Path:
    """Build the wheel below `folder` and return it; no network, `python` needs the build's own setuptools.

    The tree is copied first: a build leaves `build/` and `*.egg-info` behind, and stale ones get into wheels.
    Raises RuntimeError with what the build said.
    """
    copy, out = folder / "tree", folder / "wheel"
    shutil.copytree(ROOT / "vibeorder", copy / "vibeorder", ignore=shutil.ignore_patterns("__pycache__"))
    for name in NEEDED:
        shutil.copy(ROOT / name, copy / name)
    out.mkdir()
    run = subprocess.run(
        [python, "-c", BACKEND, str(out)], cwd=copy, capture_output=True, text=True, check=False
    )
    built = list(out.glob("*.whl"))
    if run.returncode or len(built) != 1:
        raise RuntimeError(f"the wheel does not build:\n{run.stdout[-2000:]}\n{run.stderr[-2000:]}")
    return built[0]


def package_files() -> set[str]:
    """Every file of the package as it lies in the tree, compiled ones left out, relative to the project."""
    found = (path for path in (ROOT / "vibeorder").rglob("*") if path.is_file())
    return {path.relative_to(ROOT).as_posix() for path in found if path.parent.name != "__pycache__"}
