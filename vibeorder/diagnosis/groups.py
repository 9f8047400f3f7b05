"""Suspects that one recording cannot take apart, put together: the rows of every table, in its order."""

from collections.abc import Sequence
from dataclasses import dataclass

from vibeorder.diagnosis.result import Suspect

__all__ = ["SuspectGroup", "group_suspects"]


@dataclass(frozen=True, slots=True)
class SuspectGroup:
    """Suspects whose lines this recording cannot separate, with the probability they share."""

    members: tuple[Suspect, ...]
    probability: float


def group_suspects(suspects: Sequence[Suspect]) -> tuple[SuspectGroup, ...]:
    """Put suspects that are indistinct from each other into one group each, likeliest group first.

    Being indistinct is passed on: where A cannot be told from B, nor B from C, the three are one group.
    """
    left = sorted(suspects, key=lambda one: -one.probability)
    groups = []
    while left:
        members = [left.pop(0)]
        for member in members:  # grows while it is walked: twins of twins join too
            twins = [other for other in left if _indistinct(member, other)]
            left = [other for other in left if other not in twins]
            members += twins
        members.sort(key=lambda one: -one.probability)
        groups.append(SuspectGroup(tuple(members), sum(one.probability for one in members)))
    return tuple(sorted(groups, key=lambda group: -group.probability))


def _indistinct(one: Suspect, other: Suspect) -> bool:
    forward = (other.part, other.order) in one.indistinct_from
    return forward or (one.part, one.order) in other.indistinct_from
