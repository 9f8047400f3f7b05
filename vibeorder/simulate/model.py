"""What a simulated road test is asked for (`Scenario`) and what comes out of it (`RoadTest`, `Truth`)."""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibeorder.vehicle import Vehicle

__all__ = [
    "Body",
    "Clock",
    "Converter",
    "Drive",
    "Fault",
    "Gps",
    "GpsTrace",
    "Microphone",
    "Road",
    "RoadTest",
    "Scenario",
    "TrueLine",
    "Truth",
]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
IntArray = NDArray[np.int64]
Source = tuple[str, float]


@dataclass(frozen=True, slots=True)
class Fault:
    """A shake to put in: part and order as in the catalogue; rms_mps2 is the vector rms over the record."""

    part: str
    order: float
    rms_mps2: float


@dataclass(frozen=True, slots=True)
class Drive:
    """How the vehicle is driven.

    kind and speeds_mps: "steady": one speed; "sweep": speeds at equal spacing over the record, a smooth curve
        through them; "coast": likewise, but in neutral with the engine at idle; "stop_and_go": the top speeds
        reached between standstills; "stand": standing still in neutral with the engine held at engine_rpm.
    gears: (from this second on, gear number; 0 is neutral); empty lets an automatic choose.
    wobble: relative standard deviation of the speed with a memory of 3 s.
    drift: peak of a slow relative wander, as of a driver who holds a speed "by the dash".
    slide_s: how long a gear change takes.
    engine_rpm: what the driver holds the engine at while standing.
    """

    kind: Literal["steady", "sweep", "coast", "stop_and_go", "stand"]
    speeds_mps: tuple[float, ...] = ()
    gears: tuple[tuple[float, int], ...] = ()
    wobble: float = 0.003
    drift: float = 0.0
    slide_s: float = 0.6
    engine_rpm: float = 0.0


@dataclass(frozen=True, slots=True)
class Converter:
    """Torque converter: open up to gear open_through_gear, where the engine runs up to `slip` too fast."""

    open_through_gear: int = 0
    slip: float = 0.0


@dataclass(frozen=True, slots=True)
class Body:
    """How the body carries a line to the sensor: a complex Gaussian process over ln(frequency) and time.

    correlation exp(-(d ln f / length_ln_f)^2 / 2 - |dt| / memory_s); `steady`: one constant gain instead.
    common: share of the power that moves in one direction; the rest is independent on the three axes.
    """

    length_ln_f: float = 0.25
    memory_s: float = 20.0
    common: float = 0.6
    steady: bool = False


@dataclass(frozen=True, slots=True)
class Road:
    """Road noise at the seat.

    level_mps2: rms per axis at the record's mean speed, going with speed**growth; a tenth of it while the vehicle
        stands all through. slope: density ~ f**-slope.
    roughness_sd: standard deviation of ln(level) from one stretch of road to the next (memory 6 s).
    bumps_per_minute, bump_mps2: potholes and patches, median peak; each axle strikes once.
    joint_spacing_m, joint_mps2: slab joints, 0 m for none.
    wheelbase_m, echo: share of the noise that the rear axle repeats.
    grade_sd, curve_sd_per_m: standard deviations of its grade and of its curvature, which last for some hundreds of
        meters: gravity along the road, and the pull of curves, are logged beside the vehicle's own speeding up.
    """

    level_mps2: float = 0.3
    growth: float = 0.7
    slope: float = 1.2
    roughness_sd: float = 0.2
    bumps_per_minute: float = 0.0
    bump_mps2: float = 2.0
    joint_spacing_m: float = 0.0
    joint_mps2: float = 0.2
    wheelbase_m: float = 2.9
    echo: float = 0.0
    grade_sd: float = 0.0
    curve_sd_per_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Clock:
    """A phone's sampling: jitter (sd over the step), stamp error (sd), dropped share, rate off nominal."""

    jitter: float = 0.0
    stamp_error_s: float = 0.0
    drops: float = 0.0
    rate_offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Gps:
    """Once-a-second speed: noise sd, lag (None: drawn, 0.5 to 1.0 s), share of fixes lost in bursts."""

    noise_mps: float = 0.1
    lag_s: float | None = None
    dropouts: float = 0.0


@dataclass(frozen=True, slots=True)
class Microphone:
    """A phone's microphone.

    highpass_hz: second-order corner. The gain follows level**-gain_exponent with a memory of gain_time_s.
    noise: rms of wind and tire noise, on the scale on which a line of 1 m/s^2 rms sounds with rms 1.
    harmonics: how many orders each line radiates, each harmonic_fall times the one below.
    firing: rms of the firing that reaches it through the air, from intake and exhaust, with as many harmonics.
    """

    highpass_hz: float = 80.0
    gain_time_s: float = 3.0
    gain_exponent: float = 0.5
    noise: float = 0.3
    harmonics: int = 4
    harmonic_fall: float = 0.5
    firing: float = 0.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """One road test to simulate.

    rate_hz: 50 to 1000 for acceleration, 8000 to 48000 for audio. resolution_mps2: 0 for none.
    random_orientation: the phone lies any way round; else x forward, y left, z up. gravity is added.
    healthy_scale: factor on the healthy lines (0 for none).
    tire_scale: true over nominal rolling circumference; drawn (sd 1%, cut at 2.5%) when None.
    tire_spread: sd of the four tires' sizes relative to their mean.
    """

    drive: Drive
    duration_s: float = 60.0
    rate_hz: float = 200.0
    sensor: Literal["acceleration", "audio"] = "acceleration"
    faults: tuple[Fault, ...] = ()
    healthy_scale: float = 1.0
    tire_scale: float | None = None
    tire_spread: float = 0.0
    converter: Converter = field(default_factory=Converter)
    body: Body = field(default_factory=Body)
    road: Road = field(default_factory=Road)
    clock: Clock = field(default_factory=Clock)
    gps: Gps | None = field(default_factory=Gps)
    microphone: Microphone = field(default_factory=Microphone)
    random_orientation: bool = True
    resolution_mps2: float = 0.01


@dataclass(frozen=True, slots=True)
class TrueLine:
    """A line that is in the recording: frequency and phase (turns) on `Truth.times_s`, rms over the record.

    gains: complex amplitude on the vehicle's axes (forward, left, up) at gain_times_s [shape (3, k)], peak.
    wheel: which of four unequal tires (0 to 3), or None.
    """

    part: str
    order: float
    rms_mps2: float
    fault: bool
    frequency_hz: FloatArray
    phase_turns: FloatArray
    gain_times_s: FloatArray
    gains: ComplexArray
    wheel: int | None = None


@dataclass(frozen=True, slots=True)
class Truth:
    """What really happened, for scoring; nothing here is known to an analyzer.

    times_s, speed_mps, wheel_hz, engine_hz (zero without an engine), gear (0 neutral), all on one grid.
    rates_hz: rate of every part on that grid. sources: every (part, order) that this vehicle can have.
    orientation: sensor axes = orientation @ (forward, left, up). dash_factor: dash reading over true speed.
    """

    times_s: FloatArray
    speed_mps: FloatArray
    wheel_hz: FloatArray
    engine_hz: FloatArray
    gear: IntArray
    tire_scale: float
    rates_hz: dict[str, FloatArray]
    sources: tuple[Source, ...]
    lines: tuple[TrueLine, ...]
    orientation: FloatArray
    dash_factor: float
    gps_lag_s: float | None

    @property
    def fault(self) -> TrueLine | None:
        """The strongest fault, or None in a healthy vehicle."""
        faults = [line for line in self.lines if line.fault]
        return max(faults, key=lambda line: line.rms_mps2, default=None)

    def frequency_hz(self, part: str, order: float) -> FloatArray:
        """Frequency of any source on `times_s`, whether or not it shakes."""
        return self.rates_hz[part] * order


@dataclass(frozen=True, slots=True)
class GpsTrace:
    """Speed fixes as logged: times on the recording's clock, m/s."""

    times_s: FloatArray
    speed_mps: FloatArray


@dataclass(frozen=True, slots=True)
class RoadTest:
    """A simulated recording.

    times_s: stamps as logged [shape (n,)]. samples: [shape (channels, n)], m/s^2 with gravity, or relative.
    gps: None where no GPS was asked for. dash_mps: (lowest, highest) speed that the driver read;
    dash_text: as said, "62 mph" or "35-68 mph".
    """

    vehicle: Vehicle
    scenario: Scenario
    times_s: FloatArray
    samples: FloatArray
    gps: GpsTrace | None
    dash_mps: tuple[float, float]
    dash_text: str
    truth: Truth
