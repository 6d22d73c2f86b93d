"""What a plan says of the parts of a group beyond their measures: marks, facing, cleaning, what a finding leads to."""

from __future__ import annotations

from dataclasses import dataclass

CONSEQUENCES: tuple[str, ...] = ("ask the lead", "rework before rebuild", "replace before rebuild", "note only")
ASK_THE_LEAD = CONSEQUENCES[0]
IN_DOUBT = "in doubt"
"""A severity that every finding may be called with; it always means ask the lead."""


@dataclass(frozen=True, slots=True)
class PartGroup:
    """The parts of one group.

    `plural`: as all of them are called ("inboard shoes"). `mark`: each is to bear a match mark. `facing`: what its
    `face` ("numbered face") can look towards ("drive end"), () when it does not matter. `place`: what its own place is
    called ("hole" for a pin), "" for a plain place. `stays`: not taken off in this overhaul.
    """

    id: str
    spoken: str
    plural: str
    mark: bool = False
    facing: tuple[str, ...] = ()
    face: str = ""
    place: str = ""
    stays: bool = False


@dataclass(frozen=True, slots=True)
class Mark:
    """A match mark the plan has words for ("two dots")."""

    id: str
    spoken: str


@dataclass(frozen=True, slots=True)
class Cleaning:
    """A way of cleaning, called after "cleaned" ("in paraffin"); `standing` as of limits."""

    id: str
    spoken: str
    source: str
    standing: str


@dataclass(frozen=True, slots=True)
class Rule:
    """What a finding leads to: `then` is one of `CONSEQUENCES`.

    `severities`, `extents`, `faces`: the rule holds for these; () for all.
    """

    finding: str
    then: str
    source: str
    standing: str
    severities: tuple[str, ...] = ()
    extents: tuple[str, ...] = ()
    faces: tuple[str, ...] = ()
