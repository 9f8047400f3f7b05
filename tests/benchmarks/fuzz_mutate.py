"""Sound inputs made unsound: bytes, text, tables, numbers, zips; every change drawn from one generator."""

import io
import lzma
import re
import zipfile
import zlib
from collections.abc import Callable, Sequence
from random import Random

from fuzz_seeds import zipped

__all__ = ["mutated"]

Change = Callable[[bytes, Random], bytes]

NUMBERS = (
    "nan", "inf", "-inf", "NaN", "Infinity", "1e308", "-1e308", "1e309", "1e-320", "-0", "-0.0", "0", "", " ", "-1",
    "9" * 30, "9" * 400, "9" * 5000, "1" + "0" * 18, "9223372036854775808", "18446744073709551616", "2147483648",
    "0x10", "1_000", "1,5", "1.2.3", "1e", "--1", "+5", "٣", "½", "１２", "null", "None", "true", "N/A", "#DIV/0!",
    "1e5", "1e-9", "1e18", "1e300", "12:61:99", "2030-13-45", "1970-01-01T00:00:00Z", "9999-12-31T23:59:59Z",
)  # fmt: skip
HEADS = (
    "time", "time (s)", "time_ms", "timestamp", "timestamp_ns", "seconds_elapsed", "Date", "Time", "ax", "ay", "az",
    "x", "y", "z", "ax_g", "acc (mg)", "speed", "speed (km/h)", "speed (mph)", "gps speed (m/s)", "latitude",
    "longitude", "rpm", "engine rpm", "mark", "", "a" * 300, "ax,ay", '"ax', "time\n", "µ", "t[us]", "gap", "delta_t",
)  # fmt: skip
BYTES = (0, 1, 0x0A, 0x0D, 0x1A, 0x22, 0x2C, 0x3B, 0x7F, 0x80, 0xC0, 0xFE, 0xFF)
INTEGERS = (0, 1, 2, 0x7F, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0x10000000)
CHARACTERS = (
    "\0", "\ufeff", "\u2028", "\x85", "\x1c", "'", '"', "°", "½", "−", "，", "\U0001f600", "\t", "\r",
    "@", "=", ";", ",", ":", "#", "[", "]", "{", "}", "<", ">", "&", "%", "\\", "/", "e", "-", "+", ".",
)  # fmt: skip
MEMBERS = ("../../up.csv", "/root.csv", "a\\b.csv", "ä.csv", "._a.csv", "x" * 200 + ".csv", "Accelerometer.json",
           "Location.csv", "speed.csv", "acc.txt")  # fmt: skip
NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?", re.IGNORECASE)
LARGEST = 1 << 20
BOMB_ONE_IN = 100
BOMB_MB = (1, 15, 40, 200)


def mutated(kind: str, seeds: Sequence[bytes], rng: Random) -> bytes:
    """One of the seeds with one to four changes that fit its kind."""
    raw = rng.choice(seeds)
    changes = {"zip": _ZIP, "sound": _BYTES, "vehicle": _TYPED, "bench form": _TYPED}.get(kind, _TEXT)
    for _ in range(rng.choice((1, 1, 1, 2, 3) if changes is _TYPED else (1, 1, 2, 3, 4))):
        raw = rng.choice(changes)(raw, rng)
        if kind != "zip":
            raw = raw[:LARGEST]
    return raw


def _flip(raw: bytes, rng: Random) -> bytes:
    out = bytearray(raw)
    for _ in range(rng.choice((1, 1, 2, 8, 40))):
        if out:
            out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def _poke(raw: bytes, rng: Random) -> bytes:
    out = bytearray(raw)
    for _ in range(rng.choice((1, 2, 5))):
        if out:
            out[rng.randrange(len(out))] = rng.choice(BYTES)
    return bytes(out)


def _poke_head(raw: bytes, rng: Random) -> bytes:
    """A size, a count or a rate in the head set to something large."""
    size = rng.choice((2, 4, 8))
    at = rng.randrange(max(min(len(raw), 128) - size, 1))
    value = rng.choice(INTEGERS) & ((1 << 8 * size) - 1)
    return raw[:at] + value.to_bytes(size, rng.choice(("little", "big"))) + raw[at + size :]


def _cut(raw: bytes, rng: Random) -> bytes:
    return raw[: rng.randrange(len(raw) + 1)]


def _drop(raw: bytes, rng: Random) -> bytes:
    at, length = rng.randrange(len(raw) + 1), rng.choice((1, 2, 4, 30, 1000))
    return raw[:at] + raw[at + length :]


def _repeat(raw: bytes, rng: Random) -> bytes:
    at, length = rng.randrange(len(raw) + 1), rng.choice((1, 4, 100, 2000))
    return raw[:at] + raw[at : at + length] * rng.choice((2, 3, 20)) + raw[at + length :]


def _insert(raw: bytes, rng: Random) -> bytes:
    at = rng.randrange(len(raw) + 1)
    return raw[:at] + rng.choice((b"\0", b"\0" * 600, rng.randbytes(rng.choice((1, 9, 500))))) + raw[at:]


def _text(change: Callable[[str, Random], str]) -> Change:
    """A change of text as a change of bytes, in the encoding that the bytes seem to have."""

    def changed(raw: bytes, rng: Random) -> bytes:
        wide = raw[:2] in (b"\xff\xfe", b"\xfe\xff")
        text = raw.decode("utf-16" if wide else "utf-8", "replace")
        return change(text, rng).encode("utf-16" if wide else "utf-8", "replace")

    return changed


def _number(text: str, rng: Random) -> str:
    """Some numbers swapped for others."""
    found = list(NUMBER.finditer(text))
    for one in sorted(
        rng.sample(found, min(len(found), rng.choice((1, 1, 3, 30)))), key=lambda m: -m.start()
    ):
        text = text[: one.start()] + rng.choice(NUMBERS) + text[one.end() :]
    return text


def _same_number(text: str, rng: Random) -> str:
    """Every number of one column, or every number that is alike, swapped for one value."""
    value, lines, separator = rng.choice(NUMBERS), text.split("\n"), _separator(text)
    column = rng.randrange(max(len(lines[0].split(separator)), 1))
    out = lines[:1]
    for line in lines[1:]:
        cells = line.split(separator)
        if column < len(cells):
            cells[column] = value
        out.append(separator.join(cells))
    return "\n".join(out)


def _separator(text: str) -> str:
    head = text.split("\n", 1)[0]
    return max((",", ";", "\t", " ", "="), key=head.count)


def _columns(text: str, rng: Random) -> str:
    """Columns shuffled, doubled or dropped, in every line alike."""
    separator = _separator(text)
    lines = [line.split(separator) for line in text.split("\n")]
    width = len(lines[0])
    order = list(range(width))
    how = rng.randrange(4)
    if how == 0:
        rng.shuffle(order)
    elif how == 1:
        order.append(rng.randrange(width))
    elif how == 2 and width > 1:
        order.pop(rng.randrange(width))
    else:
        order = order * rng.choice((2, 3, 40))
    return "\n".join(separator.join(line[i] for i in order if i < len(line)) for line in lines)


def _head(text: str, rng: Random) -> str:
    """Names in the header swapped, doubled, or the header itself doubled or gone."""
    head, newline, rest = text.partition("\n")
    separator = _separator(text)
    how = rng.randrange(5)
    if how == 0:
        return rest
    if how == 1:
        return head + newline + head + newline + rest
    if how == 2:
        lines = rest.split("\n")
        lines.insert(rng.randrange(len(lines) + 1), head)
        return head + newline + "\n".join(lines)
    names = head.split(separator)
    for _ in range(rng.choice((1, 2, len(names)))):
        names[rng.randrange(len(names))] = rng.choice(HEADS)
    return separator.join(names) + newline + rest


def _lines(text: str, rng: Random) -> str:
    """Lines shuffled, doubled, dropped, emptied, cut, or all but a few gone."""
    lines = text.split("\n")
    how = rng.randrange(7)
    at = rng.randrange(len(lines))
    if how == 0:
        body = lines[1:]
        rng.shuffle(body)
        return "\n".join(lines[:1] + body)
    if how == 1:
        return "\n".join(lines[:at] + lines[at : at + 1] * rng.choice((2, 50)) + lines[at:])
    if how == 2:
        return "\n".join(lines[:at] + lines[at + rng.choice((1, 5, 30)) :])
    if how == 3:
        return "\n".join([*lines[:at], rng.choice(("", " ", ",,,,,,", "a" * 5000, '"', "NaN")), *lines[at:]])
    if how == 4:
        return "\n".join([*lines[:at], lines[at][: rng.randrange(len(lines[at]) + 1)], *lines[at + 1 :]])
    if how == 5:
        return "\n".join(lines[: rng.choice((1, 2, 3, 4))])
    return "\n".join([*lines[:1], *reversed(lines[1:])])


def _clock(text: str, rng: Random) -> str:
    """The first number of every line moved: jumps, stands still, runs back, in steps too large."""
    lines, at = text.split("\n"), rng.randrange(2, 200)
    step = rng.choice((0.0, -1.0, 1e-12, 1e6, 1e15, -1e300, 3600.0, 0.5))
    out = []
    for i, line in enumerate(lines):
        found = NUMBER.match(line)
        if found and i > at:
            line = f"{float(found[0]) + step * (i if rng.random() < 0.5 else 1):.6g}" + line[found.end() :]
        out.append(line)
    return "\n".join(out)


def _character(text: str, rng: Random) -> str:
    for _ in range(rng.choice((1, 1, 2, 5))):
        at = rng.randrange(len(text) + 1)
        text = text[:at] + rng.choice(CHARACTERS) + text[at + rng.randrange(2) :]
    return text


def _separators(text: str, rng: Random) -> str:
    return text.replace(_separator(text), rng.choice((";", "\t", " ", "|", ", ", ",,", '","', "\0")))


def _nest(text: str, rng: Random) -> str:
    """Brackets or elements, many deep, somewhere."""
    depth, at = rng.choice((3, 70, 1500, 20000)), rng.randrange(len(text) + 1)
    opening, closing = rng.choice(
        (("[", "]"), ('{"a":', "}"), ("<trkpt>", "</trkpt>"), ("[a.", "]"), ("(", ")"))
    )
    inner = text[at : at + rng.choice((0, 10, 100000))]
    return text[:at] + opening * depth + inner + closing * rng.choice((depth, 0)) + text[at + len(inner) :]


def _encoding(raw: bytes, rng: Random) -> bytes:
    text = raw.decode("utf-8", "replace")
    encoding = rng.choice(
        ("utf-16", "utf-16-le", "utf-16-be", "utf-8-sig", "utf-32", "cp1252", "utf-7", "cp037")
    )
    return text.encode(encoding, "replace")


def _endings(text: str, rng: Random) -> str:
    return text.replace("\n", rng.choice(("\r\n", "\r", "\n\n", "\n\r", "\x85", "\u2028", "\0\n")))


_BYTES: tuple[Change, ...] = (_flip, _flip, _poke, _poke_head, _poke_head, _cut, _drop, _repeat, _insert)
_TEXT: tuple[Change, ...] = (
    *(_text(one) for one in (_number, _number, _same_number, _columns, _head, _lines, _clock, _character)),
    *(_text(one) for one in (_number, _separators, _nest, _endings)),
    _encoding, _flip, _cut, _drop, _repeat, _insert,
)  # fmt: skip

_TYPED: tuple[Change, ...] = (
    *(_text(_number),) * 8, *(_text(_same_number),) * 2, *(_text(_character),) * 5, *(_text(_lines),) * 3, *_TEXT,
)  # fmt: skip
"""For short texts that a person typed: mostly one number or character at a time, or nothing of it is left."""


def _members(raw: bytes, rng: Random) -> bytes:
    """One member changed as text or bytes, or renamed, or doubled, and all zipped again."""
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as bundle:
            members = {info.filename: bundle.read(info)[:LARGEST] for info in bundle.infolist()[:20]}
    except (zipfile.BadZipFile, zlib.error, lzma.LZMAError, OSError, EOFError, RuntimeError, ValueError):
        return raw
    if not members:
        return raw
    name = rng.choice(list(members))
    how = rng.randrange(6)
    if how == 0:
        members[rng.choice(MEMBERS)] = members.pop(name)
    elif how == 1:
        for i in range(rng.choice((3, 30, 300))):
            members[f"{i}-{name}"] = members[name][:300]
    elif how == 2:
        members = {f"{name}.zip": zipped(members)}
    else:
        members[name] = rng.choice(_TEXT)(members[name], rng)[:LARGEST]
    return zipped(members, rng.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_LZMA)))


def _nested(raw: bytes, rng: Random) -> bytes:
    for depth in range(rng.choice((2, 10, 60))):
        raw = zipped({f"{depth}.zip": raw})
    return raw


def _bomb(raw: bytes, rng: Random) -> bytes:
    """A small zip of a large member: nothing but zeros, or nothing but rows of numbers."""
    if rng.randrange(BOMB_ONE_IN):
        return _members(raw, rng)
    size = rng.choice(BOMB_MB) << 20
    row = rng.choice(
        (b"\0", b"0,1,2,9.8\n", b"\n", b"1", b"1,", b"time,ax,ay,az\n", b"[", b" ", b"x" * 4000 + b"\n")
    )
    return zipped({"Accelerometer.csv": b"time,ax,ay,az\n" * rng.randrange(2) + row * (size // len(row))})


_ZIP: tuple[Change, ...] = (
    _members, _members, _members, _members, _members, _nested, _bomb, _flip, _poke_head, _cut, _drop,
)  # fmt: skip
