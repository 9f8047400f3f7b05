"""Sound files: what independent libraries write must be read back, at about 2 kHz, in any container."""

import io
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import resample_poly

from vibeorder.errors import RecordingError
from vibeorder.recording import READERS, ReadOptions, read_recording
from vibeorder.recording.decimate import Decimator, decimation_factor

RATE = 48_000
TONE_HZ = 40.0


def tone(seconds: float = 6.0, rate_hz: int = RATE, hz: float = TONE_HZ) -> NDArray[np.float64]:
    """0.5 at hz, and 0.2 at 11 kHz, which must vanish and not fold back."""
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    wave: NDArray[np.float64] = 0.5 * np.sin(2 * np.pi * hz * t)
    if rate_hz > 30_000:
        wave = wave + 0.2 * np.sin(2 * np.pi * 11_000 * t)
    return wave


def line(samples: NDArray[np.float64], rate_hz: float, hz: float) -> float:
    """Amplitude at hz, by projection under a Hann window (numpy only)."""
    window = np.hanning(samples.size)
    phasor = np.exp(-2j * np.pi * hz * np.arange(samples.size) / rate_hz)
    return float(2 * abs((samples * window * phasor).sum()) / window.sum())


@pytest.mark.parametrize("suffix", ["wav", "flac", "ogg", "mp3", "aiff"])
def test_a_40_hz_boom_keeps_its_strength_in_every_sound_file(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"cabin.{suffix}"
    soundfile.write(path, tone(), RATE)
    recording = read_recording(path)
    assert recording.kind == "audio"
    assert recording.unit == "relative"
    assert recording.rate_hz == pytest.approx(2000.0)
    assert line(recording.samples[0], recording.rate_hz, TONE_HZ) == pytest.approx(0.5, rel=0.01)
    spectrum = np.abs(np.fft.rfft(recording.samples[0] * np.hanning(recording.samples.shape[1])))
    frequency = np.argmax(spectrum) * recording.rate_hz / recording.samples.shape[1]
    assert frequency == pytest.approx(TONE_HZ, abs=0.2)


@pytest.mark.parametrize(
    ("suffix", "container"),
    [("m4a", "ipod"), ("mp4", "mp4"), ("3gp", "3gp"), ("mov", "mov"), ("aac", "adts")],
)
def test_a_40_hz_boom_is_found_in_what_phones_save(tmp_path: Path, suffix: str, container: str) -> None:
    import av

    path = tmp_path / f"phone.{suffix}"
    wave = tone(5.0).astype(np.float32)
    with av.open(str(path), "w", format=container) as out:
        stream = out.add_stream("aac", rate=RATE, layout="mono")
        for start in range(0, wave.size - 1024, 1024):
            piece = np.ascontiguousarray(wave[None, start : start + 1024])
            frame = av.AudioFrame.from_ndarray(piece, format="fltp", layout="mono")
            frame.rate, frame.pts, frame.time_base = RATE, start, Fraction(1, RATE)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    recording = read_recording(path)
    assert recording.duration_s == pytest.approx(5.0, abs=0.1)
    inner = recording.samples[0][200:-200]
    assert line(inner, recording.rate_hz, TONE_HZ) == pytest.approx(0.5, rel=0.03)


def adts(seconds: float, layout: str, rate_hz: int = 16_000) -> list[bytes]:
    """A 40 Hz tone in every channel as AAC, frame by frame, each with the head that lets it stand alone."""
    import av

    out = io.BytesIO()
    with av.open(out, "w", format="adts") as container:
        stream = container.add_stream("aac", rate=rate_hz, layout=layout)
        channels = av.AudioLayout(layout).nb_channels
        wave = np.repeat(tone(seconds, rate_hz).astype(np.float32), channels)[None]
        for start in range(0, wave.size - 1024 * channels + 1, 1024 * channels):
            piece = np.ascontiguousarray(wave[:, start : start + 1024 * channels])
            frame = av.AudioFrame.from_ndarray(piece, format="flt", layout=layout)
            frame.rate, frame.pts = rate_hz, start // channels
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    raw, frames = out.getvalue(), []
    while raw:  # 13 bits of length from bit 30 on (ADTS, ISO/IEC 14496-3, from memory)
        size = (int.from_bytes(raw[3:6], "big") >> 5) & 0x1FFF
        frames.append(raw[:size])
        raw = raw[size:]
    return frames


@pytest.mark.parametrize(("layout", "channels"), [("mono", 1), ("5.1", 6), ("7.1", 8)])
def test_each_channel_of_a_cameras_sound_keeps_its_boom(tmp_path: Path, layout: str, channels: int) -> None:
    """Of eight channels the decoder's binding once read past the list of their planes, and the process died."""
    path = tmp_path / "camera.aac"
    path.write_bytes(b"".join(adts(3.0, layout)))
    recording = read_recording(path)
    assert recording.samples.shape[0] == channels
    for i in {0, channels - 1} - {3}:  # the fourth, of low tones, is filtered by the encoder
        inner = recording.samples[i][200:-200]
        assert line(inner, recording.rate_hz, TONE_HZ) == pytest.approx(0.5, rel=0.05)


def test_pieces_of_another_rate_or_other_channels_are_left_out_and_said(tmp_path: Path) -> None:
    mono, stereo, slow = adts(4.0, "mono"), adts(1.0, "stereo"), adts(1.0, "mono", 8000)
    path = tmp_path / "damaged.aac"
    path.write_bytes(b"".join([*mono[:20], *stereo[:5], *mono[20:40], *slow[:5], *mono[40:]]))
    recording = read_recording(path)
    assert recording.samples.shape[0] == 1
    assert recording.duration_s == pytest.approx(4.0, abs=0.3)
    assert any("10 damaged pieces" in sentence for sentence in recording.history)
    path.write_bytes(b"".join([*stereo[:1], *mono]))  # the first says what the rest is not
    assert read_recording(path).samples.shape[0] == 1


def test_sound_that_is_mostly_damaged_is_refused(tmp_path: Path) -> None:
    mono, stereo = adts(4.0, "mono"), adts(12.0, "stereo")
    path = tmp_path / "damaged.aac"
    path.write_bytes(b"".join([*mono, *stereo]))
    with pytest.raises(RecordingError, match=r"damaged\.aac is damaged: .*copy it again"):
        read_recording(path)


def test_decimation_agrees_with_scipy_in_the_kept_band() -> None:
    rng = np.random.default_rng(5)
    noise = rng.normal(size=RATE * 3)
    decimator = Decimator(24, 1)
    ours = np.concatenate((decimator.push(noise[None].astype(np.float32)), decimator.finish()), axis=1)[0]
    theirs = resample_poly(noise, 1, 24, window=("kaiser", 10.0))
    size = min(ours.size, theirs.size)
    a, b = np.fft.rfft(ours[:size] * np.hanning(size)), np.fft.rfft(theirs[:size] * np.hanning(size))
    kept = slice(size // 100, int(0.35 * size))  # up to 0.7 of the new Nyquist frequency
    assert float(np.linalg.norm(a[kept] - b[kept]) / np.linalg.norm(b[kept])) < 0.02


@settings(max_examples=20, deadline=None)
@given(st.lists(st.integers(1, 5000), min_size=1, max_size=8), st.integers(1, 48), st.integers(0, 99))
def test_the_size_of_the_blocks_does_not_change_the_samples(sizes: list[int], factor: int, seed: int) -> None:
    """Property: filtering in blocks is filtering at once."""
    wave = np.random.default_rng(seed).normal(size=(2, sum(sizes))).astype(np.float32)
    whole = Decimator(factor, 2)
    expected = np.concatenate((whole.push(wave), whole.finish()), axis=1)
    pieces, at, parts = Decimator(factor, 2), 0, []
    for size in sizes:
        parts.append(pieces.push(wave[:, at : at + size]))
        at += size
    parts.append(pieces.finish())
    got = np.concatenate(parts, axis=1)
    assert got.shape == expected.shape
    np.testing.assert_allclose(got, expected, atol=1e-5)


def test_a_sound_above_the_kept_band_does_not_fold_into_it(tmp_path: Path) -> None:
    path = tmp_path / "whistle.wav"
    t = np.arange(RATE * 4) / RATE
    soundfile.write(
        path, 0.5 * np.sin(2 * np.pi * 1960 * t) + 1e-3 * np.sin(2 * np.pi * 100 * t), RATE, "FLOAT"
    )
    recording = read_recording(path)
    assert line(recording.samples[0], 2000.0, 40.0) < 1e-4  # 1960 Hz would fold to 40 Hz
    assert line(recording.samples[0], 2000.0, 100.0) == pytest.approx(1e-3, rel=0.02)


def test_clipped_sound_is_counted_and_said(tmp_path: Path) -> None:
    path = tmp_path / "loud.wav"
    soundfile.write(path, np.clip(3 * tone(2.0), -1, 1), RATE, "PCM_16")
    recording = read_recording(path)
    assert recording.quality.clipped > 1000
    assert any("clipped" in sentence for sentence in recording.history)


def test_options_of_a_tables_columns_beside_a_sound_file_are_said_to_be_unused(tmp_path: Path) -> None:
    path = tmp_path / "cabin.wav"
    soundfile.write(path, tone(), RATE)
    assert not any("not used" in said for said in read_recording(path, ReadOptions(unit="g")).history)
    told = read_recording(path, ReadOptions(axes=("x",), unit="g", rate_hz=500.0))
    assert any(said.startswith("--axes and --rate not used: a sound file") for said in told.history)


def test_of_many_channels_eight_are_kept_and_the_rest_is_said(tmp_path: Path) -> None:
    path = tmp_path / "array.wav"
    wave = np.stack([tone(2.0, 1000, 10.0 + i) for i in range(10)], axis=1)
    soundfile.write(path, wave, 1000)
    recording = read_recording(path)
    assert recording.samples.shape == (8, 2000)
    assert recording.rate_hz == 1000.0
    assert any("channels 1 to 8 of 10" in sentence for sentence in recording.history)


def test_an_accelerometer_wav_takes_its_scale_from_the_unit_option(tmp_path: Path) -> None:
    path = tmp_path / "accelerometer.wav"
    soundfile.write(path, tone(4.0, 1000), 1000, "FLOAT")
    recording = read_recording(path, ReadOptions(unit="g"))
    assert (recording.kind, recording.unit) == ("acceleration", "m/s^2")
    assert line(recording.samples[0], 1000.0, TONE_HZ) == pytest.approx(0.5 * 9.80665, rel=0.001)


def test_content_decides_and_not_the_name(tmp_path: Path) -> None:
    path = tmp_path / "really_a_wav.csv"
    soundfile.write(tmp_path / "x.wav", tone(2.0), RATE)
    (tmp_path / "x.wav").rename(path)
    assert read_recording(path).kind == "audio"


def test_silence_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "muted.wav"
    soundfile.write(path, np.zeros(RATE), RATE)
    with pytest.raises(RecordingError, match="silent"):
        read_recording(path)


def test_a_truncated_wav_gives_what_is_there(tmp_path: Path) -> None:
    path = tmp_path / "cut.wav"
    soundfile.write(path, tone(4.0), RATE)
    path.write_bytes(path.read_bytes()[: 2 * RATE * 2])
    assert read_recording(path).duration_s == pytest.approx(2.0, abs=0.05)


def test_every_reader_is_complete_and_claims_no_other_readers_file() -> None:
    heads = {
        "audio": b"RIFF\x00\x00\x00\x00WAVEfmt ",
        "media": b"\x00\x00\x00\x20ftypM4A \x00\x00",
        "archive": b"PK\x03\x04\x14\x00\x00\x00",
        "jsonlog": b'{"x": [1, 2, 3]}',
        "textlog": b"time,x,y,z\n0,1,2,3\n",
    }
    assert {reader.__name__.rsplit(".", 1)[-1] for reader in READERS} == set(heads)
    for reader in READERS:
        assert callable(reader.read)
        assert reader.NAME
        assert reader.__doc__
        assert reader.recognise(b"") is False
        assert reader.recognise(heads[reader.__name__.rsplit(".", 1)[-1]])
    for name, head in heads.items():
        first = next(reader for reader in READERS if reader.recognise(head))
        assert first.__name__.endswith(name)


@pytest.mark.parametrize("rate", [8000, 16000, 22050, 44100, 48000, 96000])
def test_common_rates_come_down_to_about_2_khz(rate: int) -> None:
    assert 2000.0 <= rate / decimation_factor(rate) < 2210.0


def test_three_hours_of_sound_fit_in_600_megabytes() -> None:
    """Memory of the whole process (maximum resident set, as the kernel counts it)."""
    code = """
import resource, numpy as np
from vibeorder.recording.blocks import recording_from_blocks
from vibeorder.recording import ReadOptions
block = np.random.default_rng(1).normal(0, 0.1, (1, 1 << 18)).astype(np.float32)
count = 3 * 3600 * 8000 // block.shape[1]
got = recording_from_blocks((block for _ in range(count)), 8000.0, 1, count << 18, "long", ReadOptions())
assert got.duration_s > 10_700
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert int(done.stdout) < 600
