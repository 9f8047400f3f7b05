"""Folders of uploads and results by random id, and their clean-up. A visitor's words never become a path."""

import json
import re
import secrets
import shutil
import time
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from vibeorder.errors import VibeorderError
from vibeorder.web.settings import Limits

__all__ = ["NotThereError", "Store", "is_id"]

_ID = re.compile(r"[0-9a-f]{24}")
MAX_JSON_BYTES = 30_000_000
DAY_S = 86400.0


class NotThereError(VibeorderError):
    """A result that was never made, or was thrown away as the oldest."""


def is_id(text: str) -> bool:
    """Whether `text` may be an id of ours: 24 hexadecimal digits, 96 random bits."""
    return _ID.fullmatch(text) is not None


class Store:
    """Folders below `root`, one for each task. All methods may be called from any thread."""

    def __init__(self, root: Path, limits: Limits) -> None:
        self.root = root
        self.limits = limits
        self._held: set[str] = set()
        root.mkdir(parents=True, exist_ok=True)

    def new(self) -> str:
        """Make a folder and return its id. Raises VibeorderError where the disk is nearly full."""
        free = shutil.disk_usage(self.root).free
        if free < self.limits.free_bytes:
            raise VibeorderError(
                f"the disk of the shop page has only {free / 1e6:.0f} MB left; make room and send it again"
            )
        name = secrets.token_hex(12)
        (self.root / name).mkdir(mode=0o700)
        return name

    @contextmanager
    def held(self, name: str) -> Iterator[None]:
        """Keep a folder from the clean-up while something is written into it."""
        self._held.add(name)
        try:
            yield
        finally:
            self._held.discard(name)

    def path(self, name: str) -> Path:
        """The folder of an id. Raises NotThereError."""
        folder = self.root / name
        if not is_id(name) or not folder.is_dir():
            raise NotThereError("there is no such result; it may have been thrown away as the oldest one")
        return folder

    def write_json(self, name: str, file: str, value: Any) -> None:
        """Write one JSON file into a folder, whole or not at all."""
        target = self.path(name) / file
        draft = target.with_name(f".{file}.{secrets.token_hex(4)}")
        try:
            draft.write_text(json.dumps(value, ensure_ascii=False), "utf-8")
            draft.replace(target)
        finally:
            draft.unlink(missing_ok=True)

    def read_json(self, name: str, file: str) -> Any:
        """One JSON file out of a folder; None where it is not there or is no JSON."""
        path = self.path(name) / file
        try:
            if path.is_symlink() or path.stat().st_size > MAX_JSON_BYTES:
                return None
            return json.loads(path.read_text("utf-8"))
        except (OSError, ValueError, RecursionError):
            return None

    def drop(self, name: str) -> None:
        """Throw one folder away."""
        if is_id(name):
            shutil.rmtree(self.root / name, ignore_errors=True)

    def tidy(self, busy: Collection[str] = ()) -> int:
        """Throw away the oldest folders beyond the limits of age, number and size, never a busy one."""
        found = sorted(
            (folder.stat().st_mtime, folder) for folder in self.root.iterdir() if is_id(folder.name)
        )
        sizes = {folder: _size(folder) for _, folder in found}
        total, left, dropped = sum(sizes.values()), len(found), 0
        oldest_s = time.time() - self.limits.kept_days * DAY_S
        for made_s, folder in found:
            over = left > self.limits.kept_results or total > self.limits.kept_bytes or made_s < oldest_s
            if not over:
                break
            if folder.name in busy or folder.name in self._held:
                continue
            shutil.rmtree(folder, ignore_errors=True)
            total, left, dropped = total - sizes[folder], left - 1, dropped + 1
        return dropped


def _size(folder: Path) -> int:
    return sum(file.lstat().st_size for file in folder.rglob("*") if not file.is_dir())
