"""The sources that may be to blame in one vehicle, each with its rate: the catalogue joined with the rotors."""

from dataclasses import dataclass
from typing import Literal

from vibeorder.diagnosis.amplitudes import HealthyPrior
from vibeorder.vehicle import Source, Vehicle, rotors, sources_of

__all__ = ["Candidate", "candidates_of"]


@dataclass(frozen=True, slots=True)
class Candidate:
    """One source of this vehicle.

    multiple: line turns per turn of the basis (wheel or engine): order x the rotor's ratio.
    slack: relative doubt in the ratio itself (belt slip); 0 for gears.
    """

    source: Source
    basis: Literal["wheel", "engine"]
    multiple: float
    slack: float
    rotor_label: str

    @property
    def part(self) -> str:
        """Part name of the JSON contract."""
        return self.source.part

    @property
    def order(self) -> float:
        """Shakes per turn of the part."""
        return self.source.order

    @property
    def healthy(self) -> HealthyPrior:
        """Strength of this line on a vehicle with nothing wrong."""
        source = self.source
        return HealthyPrior(source.healthy_presence, source.healthy_median_mps2, source.healthy_log_sd)

    @property
    def key(self) -> tuple[str, float]:
        """(part, order), as suspects are reported."""
        return (self.source.part, self.source.order)


def candidates_of(vehicle: Vehicle, low_range: bool = False) -> tuple[Candidate, ...]:
    """Every source of the catalogue that this vehicle has, on every rotor of that part."""
    turning = rotors(vehicle, low_range)
    return tuple(
        Candidate(source, rotor.basis, source.order * rotor.ratio, rotor.relative_se, rotor.label)
        for source in sources_of(vehicle)
        for rotor in turning
        if rotor.part == source.part
    )
