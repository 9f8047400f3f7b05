"""What the catalogue of sources says of one part at one order."""

from dataclasses import dataclass

__all__ = ["Source"]


@dataclass(frozen=True, slots=True)
class Source:
    """One part at one order.

    part, order: as in the JSON contract. label: "driveshaft, first order (1x)".
    prior_weight: how often such a complaint comes, relative to the others; common practice, no source.
    growth: amplitude ~ rate ** growth, away from body resonances.
    healthy_presence: share of sound vehicles in which this line stands out at all.
    healthy_median_mps2, healthy_log_sd: vector rms over a record where it does (log-normal).
    runout_where: where the indicator goes; '' where no runout check is warranted.
    never: what must not be done about it. note: what else to know, or ''.
    """

    part: str
    order: float
    label: str
    prior_weight: float
    growth: float
    healthy_presence: float
    healthy_median_mps2: float
    healthy_log_sd: float
    causes: tuple[str, ...]
    first_check: str
    runout_where: str
    never: str
    note: str = ""
