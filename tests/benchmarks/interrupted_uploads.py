"""A thousand recordings on a bad network.

    python tests/benchmarks/interrupted_uploads.py [--uploads 1000] [--write docs/reliability.md]

Each is cut off at least once on its way to a real server: in the middle of a piece, before its acknowledgement is
read, damaged, sent twice, two connections at once, while it is put together; and the server itself is killed
(SIGKILL) again and again. After that it goes on as the recorder page does: ask what is there, send the rest, finish.
At the end every recording has to be there once, with every sample that was sent.
"""

import argparse
import contextlib
import json
import random
import re
import secrets
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import httpx
import numpy as np
from recorder_pieces import digest_of, pieces_of, sha256

from vibeorder.recording import marks_of, read_recording

MARK = "interrupted uploads"
KILL_EVERY = 25
RATE, SECONDS = 50, 4
Breaker = Callable[["Phone", random.Random], None]


class Server:
    """`vibeorder serve` in a process of its own, that may be killed and started anew on the same folder and port."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.kills = folder, 0
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.process = self._started()

    def _started(self) -> subprocess.Popen[str]:
        command = [
            sys.executable,
            "-m",
            "vibeorder.cli",
            "serve",
            "--port",
            str(self.port),
            "--folder",
            str(self.folder),
        ]
        process = subprocess.Popen(
            command, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).resolve().parents[2]
        )
        assert process.stdout is not None
        process.stdout.readline()
        while True:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 5):
                return process
            time.sleep(0.02)

    def kill(self) -> None:
        """End it without a word, and start it again."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        self.kills += 1
        self.process = self._started()

    def end(self) -> None:
        """As Ctrl+C does."""
        self.process.send_signal(signal.SIGINT)
        self.process.wait(30)


class Phone:
    """One recording, and its way to the server."""

    def __init__(self, server: Server, number: int) -> None:
        self.server, self.number, self.name = server, number, secrets.token_hex(16)
        rng = np.random.default_rng(number)
        times = np.arange(RATE * SECONDS) / RATE
        self.samples = np.round(rng.normal(0, 0.3, (3, times.size)) + np.array([[0.0], [0.0], [9.81]]), 6)
        self.mark_s = 1.0 + number / 1000
        sound = rng.integers(-3000, 3000, 8000 * SECONDS).astype(np.int16) if number % 4 == 0 else None
        self.pieces = pieces_of(times, self.samples, marks=(self.mark_s,), sound=sound)
        self.client = httpx.Client(base_url=f"http://127.0.0.1:{server.port}", timeout=30.0)
        self.seen = Counter[str]()

    def hello(self) -> None:
        """A new token, since the server may be a new one."""
        self.client.headers["X-CSRF-Token"] = self.client.get("/api/record/hello").json()["csrf_token"]

    def put(self, n: int, body: bytes | None = None) -> int:
        """Send one piece."""
        headers = {"X-SHA256": sha256(self.pieces[n])}
        status = self.client.put(
            f"/api/record/{self.name}/pieces/{n}", content=body or self.pieces[n], headers=headers
        ).status_code
        self.seen["new" if status == 201 else "was here" if status == 200 else "refused"] += 1
        return status

    def raw(self, method: str, path: str, body: bytes, sent: int, *headers: str) -> socket.socket:
        """A connection on which only the first `sent` bytes of the body went out."""
        line = socket.create_connection(("127.0.0.1", self.server.port), 10)
        cookies = "; ".join(f"{one.name}={one.value}" for one in self.client.cookies.jar)
        head = [f"{method} {path} HTTP/1.1", f"Host: 127.0.0.1:{self.server.port}", f"Content-Length: {len(body)}",
                f"Cookie: {cookies}", f"X-CSRF-Token: {self.client.headers['X-CSRF-Token']}", *headers]  # fmt: skip
        line.sendall(("\r\n".join(head) + "\r\n\r\n").encode() + body[:sent])
        return line

    def raw_piece(self, n: int, sent: int) -> socket.socket:
        """Likewise for a piece."""
        body = self.pieces[n]
        return self.raw("PUT", f"/api/record/{self.name}/pieces/{n}", body, sent, f"X-SHA256: {sha256(body)}")

    def raw_end(self) -> socket.socket:
        """The end said, and its answer not read."""
        body = json.dumps({"pieces": len(self.pieces), "sha256": digest_of(self.pieces)}).encode()
        return self.raw("POST", f"/api/record/{self.name}/finish", body, len(body))

    def go_on(self) -> bool:
        """As the recorder page does after a break: True when the server says that all of it is there."""
        self.hello()
        there = set(self.client.get(f"/api/record/{self.name}").json()["pieces"])
        for n in range(len(self.pieces)):
            if n not in there and self.put(n) not in (200, 201):
                return False
        said = {"pieces": len(self.pieces), "sha256": digest_of(self.pieces)}
        return self.client.post(f"/api/record/{self.name}/finish", json=said).status_code == 200


def in_a_piece(phone: Phone, rng: random.Random) -> None:
    """The connection breaks inside a piece."""
    n = rng.randrange(len(phone.pieces))
    for before in range(n):
        phone.put(before)
    phone.raw_piece(n, rng.randrange(len(phone.pieces[n]))).close()


def before_the_answer(phone: Phone, rng: random.Random) -> None:
    """A piece is sent whole; its acknowledgement never arrives."""
    n = rng.randrange(len(phone.pieces))
    phone.raw_piece(n, len(phone.pieces[n])).close()


def damaged(phone: Phone, rng: random.Random) -> None:
    """One bit of a piece is turned on its way."""
    n = rng.randrange(len(phone.pieces))
    body = bytearray(phone.pieces[n])
    body[rng.randrange(len(body))] ^= 1 << rng.randrange(8)
    assert phone.put(n, bytes(body)) == 422


def twice(phone: Phone, rng: random.Random) -> None:
    """Pieces are sent again, in another order."""
    order = list(range(len(phone.pieces))) * 2
    rng.shuffle(order)
    for n in order:
        phone.put(n)


def at_once(phone: Phone, rng: random.Random) -> None:
    """The same piece on two connections at once, both left before the answer."""
    n = rng.randrange(len(phone.pieces))
    lines = [phone.raw_piece(n, len(phone.pieces[n]) - 1) for _ in range(2)]
    for line in lines:
        line.sendall(phone.pieces[n][-1:])
    for line in lines:
        line.close()


def at_the_end(phone: Phone, rng: random.Random) -> None:
    """The end is said, on two connections at once, and nobody waits for the answer."""
    for n in range(len(phone.pieces)):
        phone.put(n)
    for line in [phone.raw_end() for _ in range(2)]:
        line.close()


def killed(phone: Phone, rng: random.Random) -> None:
    """The server is killed while a piece, or the end, is under way."""
    last = rng.random() < 0.5
    for n in range(len(phone.pieces) - (not last)):
        phone.put(n)
    line = phone.raw_end() if last else phone.raw_piece(len(phone.pieces) - 1, len(phone.pieces[-1]))
    time.sleep(rng.random() * 0.02)
    phone.server.kill()
    line.close()


BREAKS: dict[str, Breaker] = {
    "connection cut inside a piece": in_a_piece,
    "acknowledgement never read": before_the_answer,
    "a bit turned on the way": damaged,
    "pieces twice, in any order": twice,
    "one piece on two connections at once": at_once,
    "end said twice, answers not read": at_the_end,
    "server killed (SIGKILL)": killed,
}


def main() -> int:
    """Run, print, and write where asked."""
    options = argparse.ArgumentParser()
    options.add_argument("--uploads", type=int, default=1000)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--write", type=Path, metavar="FILE")
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        table, good = measured(Path(folder), given.uploads, random.Random(given.seed))
    print(table)
    if given.write:
        write(given.write, table)
    return 0 if good else 1


def measured(folder: Path, uploads: int, rng: random.Random) -> tuple[str, bool]:
    """The table, and whether none was lost nor there twice."""
    server = Server(folder)
    kinds = [name for name in BREAKS if BREAKS[name] is not killed]
    broken, results, phones = (
        Counter[str](),
        {name: Counter[str]() for name in BREAKS},
        list[tuple[str, Phone]](),
    )
    try:
        for number in range(uploads):
            kind = (
                "server killed (SIGKILL)"
                if number % KILL_EVERY == KILL_EVERY - 1
                else kinds[number % len(kinds)]
            )
            phone = Phone(server, number)
            phone.hello()
            BREAKS[kind](phone, rng)
            broken[kind] += 1
            done = any(phone.go_on() for _ in range(3))
            results[kind]["arrived"] += done
            phone.client.close()
            results[kind].update(phone.seen)
            phones.append((kind, phone))
        again = listed(server)
    finally:
        server.end()
    for kind, phone in phones:
        results[kind]["lost"] += not whole(folder, phone)
        results[kind]["lying"] += left_lying(folder, phone)
        results[kind]["twice"] += again[phone.name] > 1
    strangers = len(set(again) - {phone.name for _, phone in phones})
    return said(broken, results, strangers, server.kills)


def listed(server: Server) -> Counter[str]:
    """How often each recording stands in the list that the shop sees."""
    text = httpx.get(f"http://127.0.0.1:{server.port}/recordings", timeout=60.0).text
    return Counter(re.findall(r'href="/record/([0-9a-f]{32})"', text))


def whole(folder: Path, phone: Phone) -> bool:
    """Whether the file holds every sample and the mark, and no others."""
    path = folder / "recordings" / phone.name / "recording.zip"
    if not path.exists():
        return False
    read = read_recording(path)
    return (
        read.samples.shape == phone.samples.shape and bool(np.allclose(read.samples, phone.samples, atol=1e-5))
        and np.allclose(marks_of(path), [phone.mark_s], atol=1e-3)
    )  # fmt: skip


def left_lying(folder: Path, phone: Phone) -> bool:
    """Whether anything but the file and the note about it is there."""
    names = {path.name for path in (folder / "recordings" / phone.name).iterdir()}
    return names != {"recording.zip", "done.json"}


def said(
    broken: Counter[str], results: dict[str, Counter[str]], strangers: int, kills: int
) -> tuple[str, bool]:
    """The table as Markdown."""
    lines = [
        "| what broke | recordings | arrived | pieces sent again and known | lost | there twice | pieces left lying |",
        "|---|---|---|---|---|---|---|",
    ]
    total, columns = Counter[str](), ("recordings", "arrived", "was here", "lost", "twice", "lying")
    for kind in BREAKS:
        found = Counter({**results[kind], "recordings": broken[kind]})
        total.update(found)
        lines.append(f"| {kind} | " + " | ".join(str(found[column]) for column in columns) + " |")
    lines.append("| together | " + " | ".join(str(total[column]) for column in columns) + " |")
    lines.append(
        f"\nThe server was killed {kills} times; recordings in its list that nobody sent: {strangers}."
    )
    good = (
        not (total["lost"] or total["twice"] or total["lying"] or strangers)
        and total["arrived"] == total["recordings"]
    )
    return "\n".join(lines), good


def write(path: Path, table: str) -> None:
    """Between the marks of the page."""
    text = path.read_text("utf-8")
    begin, end = f"<!-- begin: {MARK} -->", f"<!-- end: {MARK} -->"
    before, _, rest = text.partition(begin)
    _, _, after = rest.partition(end)
    path.write_text(f"{before}{begin}\n{table}\n{end}{after}", "utf-8")


if __name__ == "__main__":
    sys.exit(main())
