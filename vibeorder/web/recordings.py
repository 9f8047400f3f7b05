"""Recordings on their way from a phone: pieces kept once each, put together once, whatever breaks in between.

    recordings/ID/000003.piece     a piece that was acknowledged
    recordings/ID/recording.zip    all of them, put together
    recordings/ID/done.json        what was put together; from then on the pieces are not needed

ID is made by the phone: 128 random bits. Who knows it may add to the recording and read it; nobody else learns it.
A piece is acknowledged when it lies on the disk; sent again it is compared, not kept twice.
"""

import hashlib
import json
import os
import re
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from vibeorder.errors import VibeorderError
from vibeorder.web.assemble import Assembled, assemble
from vibeorder.web.pieces import Piece, parse_piece
from vibeorder.web.queue import BusyError
from vibeorder.web.settings import Limits
from vibeorder.web.store import NotThereError

__all__ = ["MOST_PIECES", "ConflictError", "DamagedError", "Done", "MissingError", "Recordings", "Underway"]

_ID = re.compile(r"[0-9a-f]{32}")
_SHA256 = re.compile(r"[0-9a-f]{64}")
PIECE, ZIP_NAME, DONE_NAME = "{:06d}.piece", "recording.zip", "done.json"
# One a second, for half an hour, and some for a page that was hidden and shown again.
MOST_PIECES = 4000
MOST_UNDERWAY = 200
DAY_S, FRESH_S = 86_400.0, 86_400.0


class DamagedError(VibeorderError):
    """What arrived is not what was sent."""


class ConflictError(VibeorderError):
    """Two different pieces under one number."""


class MissingError(VibeorderError):
    """Not all pieces are here. missing: their numbers."""

    def __init__(self, missing: list[int]) -> None:
        super().__init__(f"{len(missing)} pieces have not arrived yet; they are sent again")
        self.missing = missing


@dataclass(frozen=True, slots=True)
class Done:
    """A recording that was put together. digest: SHA-256 over all pieces, sha256: of the zip."""

    name: str
    pieces: int
    digest: str
    sha256: str
    size: int
    finished_s: float
    what: Assembled


@dataclass(frozen=True, slots=True)
class Underway:
    """A recording that has not wholly arrived."""

    pieces: int
    touched_s: float


class Recordings:
    """Folders below `root`, one for each recording. Every method may be called from any thread."""

    def __init__(self, root: Path, limits: Limits) -> None:
        self.root, self.limits = root, limits
        self._guard = threading.Lock()
        self._locks: dict[str, threading.Lock] = {}
        root.mkdir(mode=0o700, parents=True, exist_ok=True)

    def keep(self, name: str, number: int, body: bytes, sha256: str) -> bool:
        """Keep one piece: True when it is new, False when it is here already. It is on the disk when this returns.

        Raises DamagedError, ConflictError, RecordingError (not a piece), or BusyError.
        """
        if not 0 <= number < MOST_PIECES:
            raise VibeorderError(f"a recording has at most {MOST_PIECES} pieces; record again, shorter")
        if hashlib.sha256(body).hexdigest() != sha256:
            raise DamagedError(f"piece {number} was damaged on its way; it is sent again")
        parse_piece(body, number)
        with self._alone(name):
            folder = self._folder(name)
            if (done := self._done(folder)) is not None:
                if number >= done.pieces:
                    raise ConflictError(
                        "this recording is complete already; a piece more does not belong to it"
                    )
                return False
            target = folder / PIECE.format(number)
            if target.exists():
                if hashlib.sha256(target.read_bytes()).hexdigest() != sha256:
                    raise ConflictError(f"another piece {number} is here already; record again")
                return False
            self._check_room(folder, len(body))
            folder.mkdir(mode=0o700, exist_ok=True)
            _write(target, body)
            return True

    def kept(self, name: str) -> list[int]:
        """Numbers of the pieces that are here, rising; of a finished recording all."""
        with self._alone(name):
            folder = self._folder(name)
            done = self._done(folder)
            return list(range(done.pieces)) if done is not None else _numbers(folder)

    def finish(self, name: str, pieces: int, digest: str) -> Done:
        """Put the recording together, once; asked again, the same is said again.

        digest: SHA-256 of the pieces' own SHA-256, as hexadecimal text one after another.
        Raises MissingError, DamagedError, ConflictError, or RecordingError where it holds no motion.
        """
        if not 1 <= pieces <= MOST_PIECES or not _SHA256.fullmatch(digest):
            raise VibeorderError(
                "the end of the recording is not as the recorder page says it; load the page again"
            )
        with self._alone(name):
            folder = self._folder(name)
            if (done := self._done(folder)) is not None:
                if (done.pieces, done.digest) != (pieces, digest):
                    raise ConflictError("this recording is complete already, and with other pieces")
                _drop_pieces(folder)  # left lying where the server was stopped right after it was complete
                return done
            here = set(_numbers(folder))
            if missing := [number for number in range(pieces) if number not in here]:
                raise MissingError(missing)
            if _digest(folder, pieces) != digest:
                raise DamagedError("the pieces here are not those that were sent; record again")
            return self._put_together(folder, name, pieces, digest)

    def done(self, name: str) -> Done:
        """A recording that was put together. Raises NotThereError."""
        found = self._done(self._folder(name))
        if found is None:
            raise NotThereError("there is no such recording here, or it has not wholly arrived yet")
        return found

    def zip_path(self, name: str) -> Path:
        """The file of a recording that was put together. Raises NotThereError."""
        return self.root / self.done(name).name / ZIP_NAME

    def all(self) -> tuple[list[Done], list[Underway]]:
        """Everything that is here, newest first."""
        done, underway = [], []
        for folder in self._folders():
            found = self._done(folder)
            if found is not None:
                done.append(found)
            elif numbers := _numbers(folder):
                underway.append(Underway(len(numbers), folder.stat().st_mtime))
        return (
            sorted(done, key=lambda one: -one.finished_s),
            sorted(underway, key=lambda one: -one.touched_s),
        )

    def tidy(self) -> None:
        """Throw away the oldest beyond the limits of age, number and size; never one of the last day.

        A phone keeps its own copy until its recording is complete here, and sends again what is missing.
        """
        found = sorted((folder.stat().st_mtime, folder) for folder in self._folders())
        sizes = {folder: sum(file.stat().st_size for file in folder.iterdir()) for _, folder in found}
        left, total, now_s = len(found), sum(sizes.values()), time.time()
        for made_s, folder in found:
            old = made_s < now_s - self.limits.kept_days * DAY_S
            over = left > self.limits.kept_results or total > self.limits.kept_bytes
            if made_s > now_s - FRESH_S or not (old or over):
                break
            shutil.rmtree(folder, ignore_errors=True)
            left, total = left - 1, total - sizes[folder]

    @contextmanager
    def _alone(self, name: str) -> Iterator[None]:
        """One at a time for each recording."""
        if not _ID.fullmatch(name):
            raise NotThereError("there is no such recording here")
        with self._guard:
            if len(self._locks) > 10 * MOST_UNDERWAY:
                self._locks = {key: lock for key, lock in self._locks.items() if lock.locked()}
            lock = self._locks.setdefault(name, threading.Lock())
        with lock:
            yield

    def _folder(self, name: str) -> Path:
        if not _ID.fullmatch(name):
            raise NotThereError("there is no such recording here")
        return self.root / name

    def _folders(self) -> list[Path]:
        return [folder for folder in self.root.iterdir() if _ID.fullmatch(folder.name)]

    def _check_room(self, folder: Path, more: int) -> None:
        if shutil.disk_usage(self.root).free < self.limits.free_bytes:
            raise BusyError(
                "the disk of the shop page is nearly full; the recording stays on the phone meanwhile"
            )
        if not folder.exists():
            self.tidy()
            if sum(not (one / DONE_NAME).exists() for one in self._folders()) >= MOST_UNDERWAY:
                raise BusyError("too many recordings are on their way; this one stays on the phone meanwhile")
        elif sum(file.stat().st_size for file in folder.iterdir()) + more > self.limits.upload_bytes:
            raise VibeorderError(
                f"the recording is larger than {self.limits.upload_bytes / 1e6:.0f} MB; record again, shorter"
            )

    def _put_together(self, folder: Path, name: str, pieces: int, digest: str) -> Done:
        def each() -> Iterator[Piece]:
            for number in range(pieces):
                yield parse_piece((folder / PIECE.format(number)).read_bytes(), number)

        draft = folder / f".{ZIP_NAME}"
        try:
            what = assemble(each, draft, name, self.limits.decoded_s)
            _synced(draft)
            draft.replace(folder / ZIP_NAME)
        finally:
            draft.unlink(missing_ok=True)
        path = folder / ZIP_NAME
        done = Done(name, pieces, digest, _sha256_of(path), path.stat().st_size, time.time(), what)
        _write(folder / DONE_NAME, json.dumps(asdict(done)).encode())
        _drop_pieces(folder)
        return done

    def _done(self, folder: Path) -> Done | None:
        try:
            said: dict[str, Any] = json.loads((folder / DONE_NAME).read_text("utf-8"))
            return Done(**{**said, "what": Assembled(**said["what"])})
        except (OSError, ValueError, TypeError, KeyError):
            return None


def _numbers(folder: Path) -> list[int]:
    with suppress(FileNotFoundError):
        return sorted(int(file.stem) for file in folder.glob("[0-9]*.piece"))
    return []


def _drop_pieces(folder: Path) -> None:
    """Throw away the pieces of a recording that is complete, and what was half written when the server was killed."""
    for path in [*folder.glob("*.piece"), *folder.glob(".*")]:
        path.unlink(missing_ok=True)


def _digest(folder: Path, pieces: int) -> str:
    whole = hashlib.sha256()
    for number in range(pieces):
        whole.update(_sha256_of(folder / PIECE.format(number)).encode())
    return whole.hexdigest()


def _sha256_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _write(target: Path, body: bytes) -> None:
    """Whole or not at all, and on the disk when it returns: an acknowledgement must survive a power cut."""
    draft = target.with_name(f".{target.name}")
    try:
        draft.write_bytes(body)
        _synced(draft)
        draft.replace(target)
    finally:
        draft.unlink(missing_ok=True)
    if hasattr(os, "O_DIRECTORY"):
        _synced(target.parent, os.O_RDONLY)


def _synced(path: Path, how: int = os.O_RDWR) -> None:
    handle = os.open(path, how)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
