"""Two hundred uploads in a row to a real server: `python tests/benchmarks/uploads.py [--uploads 200]`.

Prints a table of the server's memory, open files, threads, children and folders every so often. A leak shows as a
column that goes on rising. Every tenth upload is a real sample, the others are files that cannot be read, broken
uploads and forms with a mistake.
"""

import argparse
import os
import sys
import tempfile
import time
import tomllib
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import httpx
import psutil
from web_server import SAMPLES, csrf_of, finished

KEPT = 30
ROW = "{:>8} {:>9} {:>11} {:>8} {:>9} {:>9} {:>9} {:>10}"


def main() -> int:
    """Run and print."""
    options = argparse.ArgumentParser()
    options.add_argument("--uploads", type=int, default=200)
    count = options.parse_args().uploads
    with tempfile.TemporaryDirectory() as folder:
        server, url = start(Path(folder))
        try:
            measure(server, url, Path(folder), count)
        finally:
            server.terminate()
            server.wait(20)
    return 0


def start(folder: Path) -> tuple[psutil.Popen, str]:
    """A server in a process of its own, so that its memory is its own, and its address."""
    program = (
        "import sys\nfrom pathlib import Path\nfrom web_server import running\n"
        "from vibeorder.web.queue import start_child\nfrom vibeorder.web.settings import Limits\n"
        f"with running(Path(sys.argv[1]), limits=Limits(kept_results={KEPT}), children=start_child) as one:\n"
        "    print(one.url, flush=True); sys.stdin.read()"
    )
    paths = [str(Path(__file__).resolve().parents[depth]) for depth in (1, 2)]
    env = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": os.pathsep.join(paths)}
    server = psutil.Popen(
        [sys.executable, "-c", program, str(folder)], stdin=-1, stdout=-1, env=env, text=True
    )
    return server, server.stdout.readline().strip()


def measure(server: psutil.Popen, url: str, folder: Path, count: int) -> None:
    """Send `count` uploads one after another; a row of the table every tenth part."""
    vehicle = folder / "vehicles" / "0123456789ab.toml"
    vehicle.write_text((SAMPLES / "truck.toml").read_text("utf-8"), "utf-8")
    assert tomllib.loads(vehicle.read_text("utf-8"))
    sample = (SAMPLES / "tire.csv").read_bytes()
    print(
        ROW.format("uploads", "RSS MB", "open files", "threads", "children", "folders", "on disk", "s/upload")
    )
    begun = time.monotonic()
    with httpx.Client(base_url=url, timeout=60.0) as client:
        token = csrf_of(client)
        for i in range(1, count + 1):
            one_upload(client, token, i, sample)
            if i % max(1, count // 10) == 0:
                report(server, folder, i, (time.monotonic() - begun) / i)


def one_upload(client: httpx.Client, token: str, i: int, sample: bytes) -> None:
    """The i-th upload: good, unreadable, with a wrong field, or broken off."""
    data = {"csrf_token": token, "vehicle": "0123456789ab", "gear": "8"}
    if i % 4 == 3:
        answer = client.post(
            "/upload", data={**data, "speed": "sixty"}, files={"recording": ("a.csv", sample)}
        )
        assert answer.status_code == 422
        return
    if i % 4 == 1:
        head = f'--XX\r\nContent-Disposition: form-data; name="csrf_token"\r\n\r\n{token}\r\n--XX\r\n'
        head += 'Content-Disposition: form-data; name="recording"; filename="a.csv"\r\n\r\n' + "0" * 500_000
        kind = {"Content-Type": "multipart/form-data; boundary=XX"}
        assert client.post("/upload", content=head.encode(), headers=kind).status_code == 422
        return
    content = sample if i % 10 == 0 else b"\xff\xd8\xff" + sample[:100_000]
    answer = client.post("/upload", data=data, files={"recording": ("a.csv", content)})
    assert answer.status_code == 303, answer.text
    finished(client, answer.headers["location"].rsplit("/", 1)[1], 120.0)


def report(server: psutil.Popen, folder: Path, uploads: int, each_s: float) -> None:
    """One row."""
    results = folder / "results"
    size = sum(path.stat().st_size for path in results.rglob("*") if path.is_file())
    print(
        ROW.format(
            uploads, f"{server.memory_info().rss / 1e6:.1f}", server.num_fds(), server.num_threads(),
            len(server.children()), len(list(results.iterdir())), f"{size / 1e6:.1f} MB", f"{each_s:.2f}",
        ),
        flush=True,
    )  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
