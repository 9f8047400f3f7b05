"""A road test with a chosen fault, for teaching and for tests."""

from vibeorder.simulate.drive import IDLE_HZ
from vibeorder.simulate.files import LAYOUTS, LogLayout, as_recording, write_log, write_wav
from vibeorder.simulate.lines import HEALTHY, Healthy, healthy_of, source_keys
from vibeorder.simulate.model import (
    Body,
    Clock,
    Converter,
    Drive,
    Fault,
    Gps,
    GpsTrace,
    Microphone,
    Road,
    RoadTest,
    Scenario,
    TrueLine,
    Truth,
)
from vibeorder.simulate.roadtest import road_test, truth_group
from vibeorder.simulate.vehicles import random_vehicle

__all__ = [
    "HEALTHY",
    "IDLE_HZ",
    "LAYOUTS",
    "Body",
    "Clock",
    "Converter",
    "Drive",
    "Fault",
    "Gps",
    "GpsTrace",
    "Healthy",
    "LogLayout",
    "Microphone",
    "Road",
    "RoadTest",
    "Scenario",
    "TrueLine",
    "Truth",
    "as_recording",
    "healthy_of",
    "random_vehicle",
    "road_test",
    "source_keys",
    "truth_group",
    "write_log",
    "write_wav",
]
