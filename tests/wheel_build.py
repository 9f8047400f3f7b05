"""The wheel as somebody would install it, built from a copy of the tree, for the test and the benchmark."""

import shutil
import subprocess
import sys
from pathlib import Path

__all__ = ["BESIDE", "ROOT", "build_source_archive", "build_wheel", "files_below", "package_files"]

ROOT = Path(__file__).resolve().parents[1]
NEEDED = ("pyproject.toml", "MANIFEST.in", "README.md", "DEVELOPERS.md", "LICENSE")
BESIDE = ("docs", "sample_data", "tests", ".ci")
"""Folders that belong to a source archive and not to a wheel."""

BACKEND = "import sys, setuptools.build_meta as backend; getattr(backend, sys.argv[2])(sys.argv[1])"


def build_wheel(folder: Path, python: str = sys.executable) -> Path:
    """Build the wheel below `folder` and return it; no network, `python` needs the build's own setuptools.

    The tree is copied first: a build leaves `build/` and `*.egg-info` behind, and stale ones get into wheels.
    Raises RuntimeError with what the build said.
    """
    return _built(folder, "build_wheel", "*.whl", python)


def build_source_archive(folder: Path, python: str = sys.executable) -> Path:
    """Build the source archive likewise."""
    return _built(folder, "build_sdist", "*.tar.gz", python)


def package_files() -> set[str]:
    """Every file of the package as it lies in the tree, compiled ones left out, relative to the project."""
    return files_below("vibeorder")


def files_below(*folders: str) -> set[str]:
    """Every file of these folders of the project, compiled ones left out, relative to it."""
    found = (path for folder in folders for path in (ROOT / folder).rglob("*") if path.is_file())
    return {path.relative_to(ROOT).as_posix() for path in found if path.parent.name != "__pycache__"}


def _built(folder: Path, hook: str, pattern: str, python: str) -> Path:
    copy, out = folder / "tree", folder / "built"
    for name in ("vibeorder", *BESIDE):
        shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in NEEDED:
        shutil.copy(ROOT / name, copy / name)
    out.mkdir()
    run = subprocess.run(
        [python, "-c", BACKEND, str(out), hook], cwd=copy, capture_output=True, text=True, check=False
    )
    built = list(out.glob(pattern))
    if run.returncode or len(built) != 1:
        raise RuntimeError(f"{hook} fails:\n{run.stdout[-2000:]}\n{run.stderr[-2000:]}")
    return built[0]
