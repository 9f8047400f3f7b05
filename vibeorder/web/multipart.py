"""An upload streamed to disk: fields into memory up to a limit, files into a folder under names of our own."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from python_multipart.exceptions import MultipartParseError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import ClientDisconnect, Request

from vibeorder.errors import VibeorderError
from vibeorder.web.settings import Limits

__all__ = ["Upload", "UploadedFile", "receive_upload"]

MAX_FIELDS = 200
MAX_HEAD = 8192
PIECE = 1 << 18
SHOWN_NAME = 80
UNNAMED = "recording"


@dataclass(frozen=True, slots=True)
class UploadedFile:
    """One file that came. field: of the form. file: its name in our folder. name: what the sender calls it."""

    field: str
    file: str
    name: str
    size: int


@dataclass(frozen=True, slots=True)
class Upload:
    """All that came in one form."""

    fields: FormData
    files: tuple[UploadedFile, ...]


async def receive_upload(request: Request, folder: Path, limits: Limits) -> Upload:
    """Stream a multipart form into `folder`. Files are called recording-01, recording-02, ... whatever they are.

    Raises VibeorderError for a form that is no multipart form, breaks off, stalls or holds too much; what was
    written so far is the caller's to throw away.
    """
    kind, options = parse_options_header(request.headers.get("content-type"))
    boundary = options.get(b"boundary", b"")
    if kind != b"multipart/form-data" or not 0 < len(boundary) <= 200:
        raise VibeorderError("this is not a form with files; use the page's own form")
    parts = _Parts(folder, limits)
    parser = MultipartParser(boundary, parts.callbacks())  # type: ignore[arg-type]
    try:
        async with asyncio.timeout(limits.upload_total_s):
            await _pump(request, parser, limits.upload_idle_s)
        parser.finalize()
    except TimeoutError:
        raise VibeorderError("the upload stalled; check the radio link and send it again") from None
    except (ClientDisconnect, MultipartParseError, UnicodeDecodeError):
        raise VibeorderError("the upload broke off; send it again") from None
    finally:
        parts.close()
    if not parts.ended:
        raise VibeorderError("the upload broke off; send it again")
    return Upload(FormData([*parts.fields]), tuple(parts.files))


async def _pump(request: Request, parser: MultipartParser, idle_s: float) -> None:
    stream, held = request.stream().__aiter__(), b""
    while True:
        try:
            async with asyncio.timeout(idle_s):
                chunk = await stream.__anext__()
        except StopAsyncIteration:
            chunk = b""
        held += chunk
        if held and (not chunk or len(held) >= PIECE):
            await run_in_threadpool(parser.write, held)  # a slow disk must not stop the other visitors
            held = b""
        if not chunk:
            return


@dataclass
class _Parts:
    """The parts as they come: what the parser's callbacks work on."""

    folder: Path
    limits: Limits
    fields: list[tuple[str, str]] = field(default_factory=list)
    files: list[UploadedFile] = field(default_factory=list)
    ended: bool = False
    _head: dict[str, bytes] = field(default_factory=dict)
    _key: bytes = b""
    _value: bytes = b""
    _name: str = ""
    _filename: str | None = None
    _data: bytearray = field(default_factory=bytearray)
    _open: BinaryIO | None = None
    _size: int = 0
    _field_bytes: int = 0

    def callbacks(self) -> dict[str, Callable[..., None]]:
        """For the parser."""
        return {
            "on_part_begin": self.begin,
            "on_header_field": self.header_field,
            "on_header_value": self.header_value,
            "on_header_end": self.header_end,
            "on_headers_finished": self.headers_finished,
            "on_part_data": self.part_data,
            "on_part_end": self.part_end,
            "on_end": self.end,
        }

    def begin(self) -> None:
        """A part begins."""
        self._head, self._key, self._value = {}, b"", b""
        self._name, self._filename, self._data, self._size = "", None, bytearray(), 0

    def header_field(self, data: bytes, start: int, end: int) -> None:
        """Bytes of a header's name."""
        self._key = (self._key + data[start:end])[:MAX_HEAD]

    def header_value(self, data: bytes, start: int, end: int) -> None:
        """Bytes of a header's value."""
        self._value = (self._value + data[start:end])[:MAX_HEAD]

    def header_end(self) -> None:
        """One header is complete."""
        if len(self._head) < 8:
            self._head[self._key.decode("latin-1").lower()] = self._value
        self._key = self._value = b""

    def headers_finished(self) -> None:
        """All headers of a part are there: a field or a file?"""
        _, options = parse_options_header(self._head.get("content-disposition", b""))
        self._name = options.get(b"name", b"").decode("utf-8", "replace")
        if b"filename" not in options:
            return
        # a browser sends an empty name for a file field left empty; any other name is a file, however it is shown
        given = options[b"filename"].decode("utf-8", "replace")
        self._filename = _shown(given) if given else ""
        if len(self.files) >= 2 * self.limits.files:
            raise VibeorderError(f"send at most {self.limits.files} recordings at once")
        self._open = (self.folder / f"recording-{len(self.files) + 1:02d}").open("xb")

    def part_data(self, data: bytes, start: int, end: int) -> None:
        """Content of a part."""
        self._size += end - start
        if self._open is not None:
            self._open.write(data[start:end])
            return
        self._field_bytes += end - start
        if self._field_bytes > self.limits.form_bytes:
            raise VibeorderError("the form's text fields hold too much")
        self._data += data[start:end]

    def part_end(self) -> None:
        """A part is complete."""
        if self._open is None:
            if len(self.fields) >= MAX_FIELDS:
                raise VibeorderError("the form has too many fields")
            self.fields.append((self._name, self._data.decode("utf-8", "replace")))
            return
        path = Path(self._open.name)
        self.close()
        if not self._filename and not self._size:
            path.unlink()  # what a browser sends for a file field left empty
            return
        self.files.append(UploadedFile(self._name, path.name, self._filename or UNNAMED, self._size))

    def end(self) -> None:
        """The closing boundary came."""
        self.ended = True

    def close(self) -> None:
        """Close the file that is being written."""
        if self._open is not None:
            self._open.close()
            self._open = None


def _shown(filename: str) -> str:
    """A sender's file name for showing, never for opening: last part, printable, short."""
    last = PurePosixPath(filename.replace("\\", "/")).name
    return "".join(c for c in last if c.isprintable())[-SHOWN_NAME:] or UNNAMED
