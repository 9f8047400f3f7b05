"""Small made-up inputs, sound ones of every kind that the tool reads: what the fuzzing starts from."""

import io
import json
import math
import tempfile
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["BETWEEN", "SEEDS", "zipped"]

ROWS = 60
BETWEEN = "=====\n"
"""Parts a recording from the log beside it, where a target takes both."""

RATE_HZ = 50.0
EPOCH_S = 1_700_000_000.0

VEHICLES = (
    '[vehicle]\nname = "invented truck"\nlayout = "rwd"\n[tire]\nsize = "275/65R18"\n[axle]\nratio = 3.55\n'
    "independent = false\n[transmission]\ngears = [4.7, 2.99, 2.15, 1.77, 1.0, 0.85]\nlow_range = 2.7\n"
    '[driveshaft]\npieces = 2\n[engine]\ncylinders = 8\nstrokes = 4\n[[accessory]]\nname = "alternator"\n'
    'ratio = 2.8\n[limits]\npinion_flange = "0.010 in"\ntube_middle = "1.0 mm"\n',
    '[vehicle]\nname = "invented wagon"\nlayout = "awd"\n[tire]\ndiameter = "27.6 in"\nrevs_per_mile = 755\n'
    "[axle]\nratio = 2.53\nfront_ratio = 2.53\n[transmission]\nfinal_drive = 3.63\ngears = [4.1, 2.3, 1.4, 1.0]\n"
    '[engine]\ncylinders = 4\n[limits]\nunit = "in"\npinion_flange = 0.006\n',
    '[vehicle]\nname = "invented volt"\nlayout = "ev"\n[tire]\nfront_size = "235/55R19"\n'
    'rear_size = "255/50R19"\n[motor]\nratio = 9.04\n',
    '[vehicle]\nname = "invented car"\nlayout = "fwd"\n[tire]\ncircumference = "76.1 in"\n[axle]\nratio = 4.06\n',
)

FORMS = (
    ("runout", "0 2 5 7 6 4 1 -1 thou", "0 2 5 7 6 4 1 -1", "4 thou", "8"),
    ("runout", "0:0 45:2 90:4 180:7 270:2 mm", "", "0.1 mm", ""),
    ("runout", "12h:0 3h:4 6h:7 9h:2 thou", "", "", ""),
    ("runout", "b1:0 b2:4 b3:7 b4:2 b5:1 b6:0 thou", "", "", "6"),
    ("extremes", "5 thou@90", "-3 thou@270", "pinion_flange"),
    ("halfturn", "0 = 12 thou@30", "180 = 19.9 thou@26", "moved"),
    ("halfturn", "0 = 0 2 5 7 6 4 1 -1 thou", "180 = 1 2 3 3 2 1 0 0 thou", "fixed"),
    ("mate", "8 thou@200", "12 thou@30", "4", "10 thou"),
    ("effect", "10 thou", "10 kg", "2400", "6000"),
    ("balance", "3.4@116", "2 g@0 = 1.8@42", "8 g", "1.1@20", "45 mm", "10 kg", "2400"),
    ("balance", "3.4@116, 5@20", "2 g@0, 0 = 3@94, 5@68; 0, 2 g@0 = 2@9, 4@3", "", "", "", "", ""),
    ("balance", "5.2", "5 g@0 = 8.5", "16 g", "", "", "", ""),
    ("angles", "3 down, 5 down, 3 down", "0, 1.2 right, 0", "0", "", "2400"),
    ("angles", "2 down, 1 down, 4 down, 3 down", "", "0, 90", "32 in, 45 in", "3000"),
    ("shaft", "3.5 in", "0.083 in", "60 in", "steel", "5500", "0.7"),
    ("quantity", "60 mph", "1.5 mm", "12 g", "500 Hz", "0.8 s", "1800 rpm"),
    ("speed", "55-65 mph"),
    ("speed", "about 60 mph"),
    ("tire", "31x10.50R15LT"),
    ("tire", "LT265/70R17 121/118S"),
)
"""First word: which form; the rest: its fields as typed, blank where left out."""


def _shake(rows: int = ROWS, seed: int = 1) -> NDArray[np.float64]:
    """Three axes in m/s^2 with gravity [shape (rows, 3)]."""
    rng = np.random.default_rng(seed)
    turn = np.sin(2.0 * np.pi * 11.0 * np.arange(rows) / RATE_HZ)
    shake = rng.normal(0.0, 0.4, (rows, 3)) + np.outer(turn, [0.3, 0.5, 0.1]) + np.array([0.1, 0.3, 9.8])
    return np.asarray(shake, dtype=np.float64)


def _rows(head: str, cells: "list[list[str]]", separator: str = ",") -> str:
    return head + "\n" + "".join(separator.join(row) + "\n" for row in cells)


def _logs() -> list[bytes]:
    shake = _shake()
    times = np.arange(ROWS) / RATE_HZ
    xyz = [[f"{v:.4f}" for v in row] for row in shake.tolist()]
    speed = [f"{20 + i / 40:.2f}" if i % 25 == 0 else "" for i in range(ROWS)]
    text = [
        _rows("time,ax,ay,az", [[f"{t:.3f}", *row] for t, row in zip(times, xyz, strict=True)]),
        _rows(
            "time (s),ax (m/s^2),ay (m/s^2),az (m/s^2),gps speed (m/s),engine rpm",
            [
                [f"{t:.3f}", *row, s, f"{1800 + i}"]
                for i, (t, row, s) in enumerate(zip(times, xyz, speed, strict=True))
            ],
        ),
        _rows(
            "time (s);ax (m/s^2);ay (m/s^2);az (m/s^2);speed (km/h)",
            [
                [c.replace(".", ",") for c in (f"{t:.3f}", *row, s)]
                for t, row, s in zip(times, xyz, speed, strict=True)
            ],
            ";",
        ),
        _rows(
            "time_ms\tax_g\tay_g\taz_g",
            [[f"{1e3 * t:.0f}", *(f"{v / 9.80665:.5f}" for v in row)] for t, row in zip(times, shake, strict=True)],
            "\t",
        ),
        _rows(
            "time,seconds_elapsed,z,y,x",
            [
                [f"{int(1e9 * (EPOCH_S + t))}", f"{t:.6f}", *reversed(row)]
                for t, row in zip(times, xyz, strict=True)
            ],
        ),
        "# made up\n# rate: 50 Hz\n"
        + _rows("Date,Time,x,y,z", [["2030-05-06", f"12:00:{t:06.3f}", *xyz[i]] for i, t in enumerate(times)]),
        _rows("x y z", xyz, " "),
        _rows("timestamp,mag,mark", [[f"{t:.3f}", xyz[i][0], str(i % 10 == 0)] for i, t in enumerate(times)]),
    ]  # fmt: skip
    text += [_in_bursts(shake), _unlabelled(text[0], 75.0), _unlabelled(_in_bursts(_shake(240)), 30.0)]
    objects = [{"time": str(int(1e9 * (EPOCH_S + t))), "x": r[0], "y": r[1], "z": r[2]}
               for t, r in zip(times.tolist(), shake.tolist(), strict=True)]  # fmt: skip
    columns = {"time": times.tolist(), "ax": shake[:, 0].tolist(), "ay": shake[:, 1].tolist()}
    return [
        *(one.encode() for one in text),
        text[1].encode("utf-16"),
        b"\xef\xbb\xbf" + text[0].replace("\n", "\r\n").encode(),
        json.dumps(objects).encode(),
        json.dumps({"sensor": "accelerometer", "data": columns}).encode(),
        "\n".join(json.dumps(one) for one in objects).encode(),
    ]


def _in_bursts(shake: NDArray[np.float64], of: int = 3) -> str:
    """Rows handed over `of` at a time, a few not at all: milliseconds that say when they were written."""
    rng = np.random.default_rng(5)
    rows = [
        [f"{1e3 * (i - i % of + of) / RATE_HZ + i % of:.0f}", *(f"{v:.4f}" for v in row)]
        for i, row in enumerate(shake.tolist())
        if rng.random() > 0.01
    ]
    return _rows("timestamp_ms,ax,ay,az", rows)


def _unlabelled(log: str, begins: float) -> str:
    """A log with a column of speed beside it that does not state its unit."""
    head, *lines = log.splitlines()
    more = [f"{line},{begins + i / 10:.1f}" if i % 20 == 0 else f"{line}," for i, line in enumerate(lines)]
    return "\n".join([f"{head},speed", *more, ""])


def zipped(members: Mapping[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    """A zip of these members."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as bundle:
        for name, content in members.items():
            bundle.writestr(zipfile.ZipInfo(name, (2030, 5, 6, 7, 8, 8)), content, compress_type=method)
    return out.getvalue()


def _zips() -> list[bytes]:
    logs = _logs()
    places = _rows(
        "time,seconds_elapsed,speed,latitude,longitude",
        [
            [f"{int(1e9 * (EPOCH_S + t))}", f"{t:.1f}", f"{20 + t:.2f}", f"{1e-4 * t:.6f}", "8.5"]
            for t in range(5)
        ],
    )
    first = {"Accelerometer.csv": logs[4], "Location.csv": places.encode(), "Gyroscope.csv": logs[4]}
    return [
        zipped(first),
        zipped({"drive/accelerometer.json": logs[10], "drive/Metadata.csv": b"a,b\n1,2\n"}),
        zipped({"log.csv": logs[1]}, zipfile.ZIP_STORED),
        zipped({"TotalAcceleration.csv": logs[4], "LinearAcceleration.csv": logs[4]}, zipfile.ZIP_BZIP2),
    ]


def _sounds() -> list[bytes]:
    """Half a second of every kind of sound that can be written here, a few kB each."""
    import soundfile

    times = np.arange(4000) / 8000.0
    wave = 0.3 * np.sin(2.0 * np.pi * 40.0 * times)
    kinds = (("WAV", "PCM_16"), ("WAV", "FLOAT"), ("WAV", "ULAW"), ("FLAC", "PCM_16"), ("OGG", "VORBIS"),
             ("OGG", "OPUS"), ("MP3", "MPEG_LAYER_III"), ("AIFF", "PCM_16"), ("AU", "PCM_16"), ("CAF", "PCM_16"),
             ("RF64", "PCM_16"), ("W64", "PCM_16"))  # fmt: skip
    out = []
    for kind, subtype in kinds:
        file = io.BytesIO()
        soundfile.write(file, np.stack([wave, wave[::-1]], 1), 8000, format=kind, subtype=subtype)
        out.append(file.getvalue())
    return out + [_film(suffix, codec) for suffix, codec in _FILMS]


_FILMS = (
    (".m4a", "aac"),
    (".mov", "pcm_s16le"),
    (".aac", "aac"),
    (".webm", "libopus"),
    (".mkv", "pcm_s16le"),
    (".mp4", "alac"),
)


def _film(suffix: str, codec: str) -> bytes:
    """Half a second of sound in a phone's container."""
    import av

    rate = 48000 if codec == "libopus" else 16000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"a{suffix}"
        with av.open(str(path), "w") as container:
            stream: Any = container.add_stream(codec, rate=rate, layout="mono")
            samples = (8000 * np.sin(2 * math.pi * 40 * np.arange(rate // 2) / rate)).astype(np.int16)
            frame = av.AudioFrame.from_ndarray(samples[None, :], format="s16", layout="mono")
            frame.sample_rate = rate
            for packet in (*stream.encode(frame), *stream.encode(None)):
                container.mux(packet)
        return path.read_bytes()


def _speed_logs() -> list[bytes]:
    points = "".join(
        f'<trkpt lat="{48 + 2e-4 * i:.6f}" lon="8.5"><ele>300</ele><time>2030-05-06T12:00:{i:02d}Z</time>'
        f"<speed>{20 + i / 10:.1f}</speed></trkpt>"
        for i in range(30)
    )
    head = '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">'
    track = f"{head}<trk><name>made up</name><trkseg>{points}</trkseg></trk></gpx>"
    bare = track.replace("<speed>", "<hdop>").replace("</speed>", "</hdop>")
    logs = (
        _rows("time,speed (km/h)", [[f"{i}", f"{70 + i}"] for i in range(30)]),
        _rows("Device Time;GPS Speed (Meters/second);Latitude;Longitude",
              [[f"06-May-2030 12:00:{i:02d}.000", f"{20 + i / 9:.2f}", f"{48 + i / 5e3:.5f}", "8.5"]
               for i in range(30)], ";"),
        _rows("t,lat,lon", [[f"{i}", f"{48 + 2e-4 * i:.6f}", "8.5"] for i in range(30)]),
        _rows("time_s,wheel_rpm", [[f"{i / 2}", f"{500 + i}"] for i in range(30)]),
        _rows("t,east_m,north_m", [[f"{i}", f"{20 * i}", "3"] for i in range(30)]),
    )  # fmt: skip
    return [track.encode(), bare.encode(), *(one.encode() for one in logs)]


def _beside() -> list[bytes]:
    """A recording, a line of equals signs, and the speed log of another device that began some seconds sooner."""
    speed = 18.0 + 5.0 * np.sin(np.arange(0.0, 70.0) / 6.0)
    at = np.arange(1500) / RATE_HZ
    pull = np.gradient(np.interp(at + 4.0, np.arange(70.0), speed), at)
    turns = np.cumsum(np.interp(at + 4.0, np.arange(70.0), speed)) / RATE_HZ / 2.3
    shake = (
        0.3 * _shake(at.size)
        + np.outer(np.sin(2.0 * np.pi * turns), [0.2, 0.4, 0.9])
        + np.outer(pull, [0, 1, 0])
    )
    plain = _rows(
        "time,ax,ay,az", [[f"{t:.2f}", *(f"{v:.3f}" for v in row)] for t, row in zip(at, shake, strict=True)]
    )
    logs = (
        _rows("time,speed (m/s)", [[f"{i}", f"{v:.2f}"] for i, v in enumerate(speed)]),
        _rows("time,speed", [[f"{i}", f"{3.6 * v:.0f}"] for i, v in enumerate(speed)]),
        _rows("time_s,wheel_rpm", [[f"{i}", f"{26 * v:.0f}"] for i, v in enumerate(speed)]),
        _rows(
            "time,speed (mph)",
            [[f"{i}", f"{2.237 * (v if i < 30 else speed[30]):.0f}"] for i, v in enumerate(speed)],
        ),
    )
    return [f"{one}{BETWEEN}{log}".encode() for log in logs for one in (plain, _in_bursts(shake))]


SEEDS: dict[str, Callable[[], list[bytes]]] = {
    "log": _logs,
    "zip": _zips,
    "sound": _sounds,
    "vehicle": lambda: [one.encode() for one in VEHICLES],
    "speed log": _speed_logs,
    "bench form": lambda: ["\n".join(one).encode() for one in FORMS],
    "speed beside": _beside,
    "diagnosis": lambda: [_unlabelled(_in_bursts(_shake(400)), 60.0).encode(), _rows("time,ax,ay,az,gps speed (m/s)", [
        [f"{i / 50:.3f}", *(f"{v:.3f}" for v in row), f"{25 + i / 400:.2f}" if i % 50 == 0 else ""]
        for i, row in enumerate(_shake(400).tolist())]).encode()],
}  # fmt: skip
"""What is fuzzed -> its sound inputs, made when asked for."""
