"""Road speed from a second device: GPX, CSV of GPS and OBD loggers, positions, turning rates."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vibeorder.errors import SpeedError, VibeorderError
from vibeorder.speed.gpx import is_gpx
from vibeorder.speed.logged import read_speed_log, speed_from_positions

DATA = Path(__file__).resolve().parents[1].parent / "shared" / "data"
shared = pytest.mark.skipif(not DATA.is_dir(), reason="the shared real recordings are not on this machine")


def gpx(points: str, version: str = "1.1", head: str = "") -> str:
    space = version.replace(".", "/")
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>{head}<gpx version="{version}" '
        f'xmlns="http://www.topografix.com/GPX/{space}" xmlns:x="urn:ext">'
        f"<metadata><time>2000-01-01T00:00:00Z</time></metadata><trk><trkseg>{points}</trkseg></trk></gpx>"
    )


def stamp(second: float) -> str:
    return f"2024-05-01T06:{int(second) // 60:02d}:{second % 60:06.3f}Z"


def test_gpx_1_0_gives_its_speed_elements(tmp_path: Path) -> None:
    points = "".join(
        f'<trkpt lat="1" lon="2"><time>{stamp(i)}</time><speed>{10 + i}</speed></trkpt>' for i in range(5)
    )
    (tmp_path / "t.gpx").write_text(gpx(points, "1.0"))
    trace = read_speed_log(tmp_path / "t.gpx")
    np.testing.assert_allclose(trace.times_s, np.arange(5))
    np.testing.assert_allclose(trace.values, 10 + np.arange(5))
    assert trace.epoch_s == 1714543200.0
    assert trace.unit == "m/s"


def test_gpx_1_1_gives_speed_from_an_extension_in_any_namespace(tmp_path: Path) -> None:
    points = "".join(
        f'<trkpt lat="1" lon="2"><time>{stamp(i)}</time><extensions>'
        f"<x:TrackPointExtension><x:speed>{i + 1}</x:speed></x:TrackPointExtension></extensions></trkpt>"
        for i in range(5)
    )
    (tmp_path / "t.gpx").write_text(gpx(points))
    np.testing.assert_allclose(read_speed_log(tmp_path / "t.gpx").values, np.arange(1, 6))


def test_gpx_without_speed_gives_it_from_positions(tmp_path: Path) -> None:
    """One minute of arc of latitude is one nautical mile, 1852 m, within 0.3% of a mean sphere."""
    step = 20.0 / 1852.0 / 60.0  # degrees for 20 m
    points = "".join(
        f'<trkpt lat="{48 + i * step:.9f}" lon="11"><time>{stamp(i)}</time></trkpt>' for i in range(60)
    )
    (tmp_path / "t.gpx").write_text(gpx(points))
    trace = read_speed_log(tmp_path / "t.gpx")
    assert float(np.median(trace.values)) == pytest.approx(20.0, rel=0.003)
    assert "positions" in trace.name


@pytest.mark.parametrize(
    ("kinds", "read"), [("wpt rtept trkpt", "trkpt"), ("wpt rtept", "rtept"), ("wpt", "wpt")]
)
def test_gpx_reads_the_track_before_a_route_and_a_route_before_way_points(
    tmp_path: Path, kinds: str, read: str
) -> None:
    """A way point of the car park, stamped on another day, and a planned route are no part of the drive."""
    speeds = {"trkpt": 20.0, "rtept": 30.0, "wpt": 7.0}
    points = "".join(
        f'<{kind} lat="1" lon="2"><time>{stamp(60.0 * place + i)}</time><speed>{speeds[kind]}</speed></{kind}>'
        for place, kind in enumerate(kinds.split())
        for i in range(5)
    )
    (tmp_path / "t.gpx").write_text(gpx(points, "1.0"))
    trace = read_speed_log(tmp_path / "t.gpx")
    np.testing.assert_allclose(trace.values, np.full(5, speeds[read]))
    np.testing.assert_allclose(trace.times_s, np.arange(5))


def test_gpx_with_entities_is_refused_before_they_grow(tmp_path: Path) -> None:
    head = '<!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    (tmp_path / "t.gpx").write_text(gpx("<trkpt lat='1' lon='1'><time>&b;</time></trkpt>", head=head))
    with pytest.raises(SpeedError, match="document type"):
        read_speed_log(tmp_path / "t.gpx")


@pytest.mark.parametrize(
    "content", ["", "<gpx", gpx(""), gpx("<trkpt lat='1' lon='1'/>"), "hello", "a,b\n1,2\n"]
)
def test_a_broken_speed_log_is_answered_with_a_sentence(tmp_path: Path, content: str) -> None:
    (tmp_path / "t.gpx").write_text(content)
    with pytest.raises(VibeorderError) as caught:
        read_speed_log(tmp_path / "t.gpx")
    assert "t.gpx" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_speed_log_is_named(tmp_path: Path) -> None:
    with pytest.raises(SpeedError, match="there is no speed log"):
        read_speed_log(tmp_path / "gone.csv")


@pytest.mark.parametrize(
    ("header", "factor", "unit"),
    [("time,speed (km/h)", 3.6, "km/h"), ("time,GPS Speed (mph)", 2.2369363, "mph"),
     ("time,speed_mps", 1.0, "m/s"),
     ("Time (s),Velocity (m/s)", 1.0, "m/s"), ("t,Speed kph", 3.6, "km/h")],
)  # fmt: skip
def test_the_unit_is_read_from_the_header(tmp_path: Path, header: str, factor: float, unit: str) -> None:
    body = "".join(f"{i},{(20 + i / 10) * factor:.5f}\n" for i in range(50))
    (tmp_path / "s.csv").write_text(header + "\n" + body)
    trace = read_speed_log(tmp_path / "s.csv")
    np.testing.assert_allclose(trace.values, 20 + np.arange(50) / 10, atol=1e-4)
    assert trace.unit == unit


def test_an_assumed_unit_is_said_and_the_users_word_goes_first(tmp_path: Path) -> None:
    (tmp_path / "s.csv").write_text("time,speed\n" + "".join(f"{i},{40 + i % 3}\n" for i in range(50)))
    assert "m/s assumed" in read_speed_log(tmp_path / "s.csv").name
    trace = read_speed_log(tmp_path / "s.csv", unit="km/h")
    assert "assumed" not in trace.name
    assert float(trace.values.max()) == pytest.approx(42 / 3.6)


def test_missing_and_repeated_readings_are_left_out(tmp_path: Path) -> None:
    rows = ["0,10", "1,-1", "2,", "3,11", "3,11", "2.5,10.5", "4,nan", "5,12", "6,9999"]
    (tmp_path / "s.csv").write_text("time,speed_mps\n" + "\n".join(rows))
    trace = read_speed_log(tmp_path / "s.csv")
    np.testing.assert_allclose(trace.times_s, [0, 2.5, 3, 5])
    np.testing.assert_allclose(trace.values, [10, 10.5, 11, 12])


def test_a_turning_rate_log_gives_turns_per_second(tmp_path: Path) -> None:
    body = "".join(f"{i / 10:.1f},{360 * (2 + i / 100):.3f}\n" for i in range(100))
    (tmp_path / "w.csv").write_text("time,gyr_z\n" + body)
    trace = read_speed_log(tmp_path / "w.csv", speed_column="gyr_z", unit="deg/s")
    np.testing.assert_allclose(trace.values, 2 + np.arange(100) / 100, atol=1e-5)
    assert trace.unit == "deg/s"


def test_a_held_position_is_not_a_stop() -> None:
    """A logger at 10 Hz that repeats each fix for a second: the car goes on at 15 m/s."""
    times = np.arange(0, 60, 0.1)
    north = 15.0 * np.floor(times)
    instants, speeds = speed_from_positions(times, np.zeros_like(times), north)
    assert float(np.median(speeds)) == pytest.approx(15.0, rel=0.02)
    assert np.all(np.diff(instants) >= 0)


def positions(rows: Sequence[tuple[float, float, float]]) -> str:
    """A text log of seconds, latitude and longitude; NaN leaves both cells empty."""
    lines = [f"{t:g},,\n" if np.isnan(lat) else f"{t:g},{lat:.9f},{lon:.9f}\n" for t, lat, lon in rows]
    return "time,latitude,longitude\n" + "".join(lines)


@pytest.mark.parametrize("missing", [np.nan, 0.0])
def test_a_missing_fix_adds_no_speed_on_a_road_due_north(tmp_path: Path, missing: float) -> None:
    """30 m/s at 40 N 100 W; 111195 m to a degree of the mean sphere. Measured from Greenwich it was 45 m/s."""
    rows = [(float(i), 40 + i * 30.0 / 111195.0, -100.0) for i in range(60)]
    rows[20] = (20.0, missing, missing)
    (tmp_path / "p.csv").write_text(positions(rows))
    values = read_speed_log(tmp_path / "p.csv").values
    np.testing.assert_allclose(values, 30.0, rtol=0.001)


def test_the_date_line_is_crossed_at_the_speed_driven(tmp_path: Path) -> None:
    """25 m/s due east on the 17th parallel south, as on a road of an island there."""
    step = 25.0 / 111195.0 / np.cos(np.radians(17.0))
    east = [179.995 + i * step for i in range(60)]
    rows = [(i, -17.0, lon - 360.0 if lon > 180.0 else lon) for i, lon in enumerate(east)]
    (tmp_path / "p.csv").write_text(positions(rows))
    trace = read_speed_log(tmp_path / "p.csv")
    np.testing.assert_allclose(trace.values, 25.0, rtol=0.001)
    # a step round the globe would be left out as impossible
    assert float(np.diff(trace.times_s).max()) == 1.0


def test_the_speed_column_must_exist(tmp_path: Path) -> None:
    (tmp_path / "s.csv").write_text("time,speed\n0,1\n1,2\n2,3\n")
    with pytest.raises(VibeorderError, match="--speed-column 'v'"):
        read_speed_log(tmp_path / "s.csv", speed_column="v")


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.one_of(st.binary(max_size=300),
                 st.text(max_size=200).map(lambda text: gpx(text).encode("utf-8", "ignore")),
                 st.text(alphabet="0123456789,;.- \ntimespd", max_size=300).map(str.encode)))  # fmt: skip
def test_any_bytes_give_a_trace_or_one_sentence(tmp_path: Path, content: bytes) -> None:
    """Property: only VibeorderError leaves; a Trace rises strictly and is finite."""
    (tmp_path / "x").write_bytes(content)
    is_gpx(content)
    try:
        trace = read_speed_log(tmp_path / "x")
    except VibeorderError:
        return
    assert np.all(np.diff(trace.times_s) > 0)
    assert np.isfinite(trace.values).all()


@shared
def test_the_real_gpx_of_the_bus_has_458_points_in_722_seconds_up_to_16_2_m_per_s() -> None:
    """Numbers of PROVENANCE.md."""
    trace = read_speed_log(DATA / "measuring-only/bus/phone_said_200hz_speed.gpx")
    assert trace.times_s.size == 458
    assert float(trace.times_s[-1]) == 722.0
    assert float(trace.values.max()) == pytest.approx(16.2, abs=0.05)


@shared
def test_the_real_wheel_sensor_gives_the_wheel_rate() -> None:
    """Turning rate of the z axis in degrees per second / 360; up to about 27 km/h (PROVENANCE.md)."""
    trace = read_speed_log(DATA / "measuring-only/car_wheel_sensors/trial06_IMU3.csv", "Gyr_Z", "deg/s")
    assert float(trace.times_s[-1]) == pytest.approx(11_041 / 120.005, rel=0.01)
    circumference_m = 1.9  # a usual passenger tire; not stated
    assert 15 < float(trace.values.max()) * circumference_m * 3.6 < 35


@shared
def test_the_real_sparse_log_keeps_its_gaps_and_its_date() -> None:
    trace = read_speed_log(DATA / "measuring-only/small_car/sparse_speed_log.csv")
    assert trace.unit == "m/s"
    assert float(np.diff(trace.times_s).max()) >= 12
    assert trace.epoch_s == 1677693634.0  # 2023-03-01T18:00:34Z
