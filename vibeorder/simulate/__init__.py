"""A road test with a chosen fault, for teaching and for tests."""

from vibeorder.simulate.lines import HEALTHY, Healthy, healthy_of, sources_of
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

__all__ = [
    "HEALTHY",
    "Body",
    "Clock",
    "Converter",
    "Drive",
    "Fault",
    "Gps",
    "GpsTrace",
    "Healthy",
    "Microphone",
    "Road",
    "RoadTest",
    "Scenario",
    "TrueLine",
    "Truth",
    "healthy_of",
    "road_test",
    "sources_of",
    "truth_group",
]
