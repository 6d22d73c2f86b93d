"""What a call means: plain frozen data, and why a call was not understood."""

from __future__ import annotations

from dataclasses import dataclass

from capture.domain.units import Quantity


@dataclass(frozen=True, slots=True)
class SpokenReading:
    """A called value. `position` / `characteristic` None: the one in hand, which the session knows.

    `is_correction`: "correction" was said before it.
    """

    position: str | None
    characteristic: str | None
    quantity: Quantity
    is_correction: bool = False


@dataclass(frozen=True, slots=True)
class SpokenPosition:
    """A position named alone; `characteristic` when its word was said too."""

    position: str
    characteristic: str | None = None


@dataclass(frozen=True, slots=True)
class SpokenFinding:
    """A condition seen; `position` None: the one in hand."""

    position: str | None
    finding: str
    severity: str | None


@dataclass(frozen=True, slots=True)
class SpokenInterval:
    """What goes and what does not, as feelers tell it; at least one of the two. Places as in `SpokenReading`."""

    position: str | None
    characteristic: str | None
    goes: Quantity | None
    does_not: Quantity | None
    is_correction: bool = False


@dataclass(frozen=True, slots=True)
class SpokenGaugeCheck:
    """What the gauge in hand shows on its standard; `standard` None: at zero."""

    standard: Quantity | None
    reading: Quantity


@dataclass(frozen=True, slots=True)
class SpokenTemperature:
    """A temperature called once; `of`: "part" or "gauge"."""

    of: str
    quantity: Quantity


@dataclass(frozen=True, slots=True)
class SpokenStage:
    """A stage of the overhaul to go on to, one of the plan's."""

    stage: str


@dataclass(frozen=True, slots=True)
class SpokenCommand:
    """A control word, by its name in `vocabulary.COMMANDS` ("affirm", "say again" ...)."""

    command: str


@dataclass(frozen=True, slots=True)
class NotUnderstood:
    """A call that may not be acted on.

    `reason`: one of `REASONS`; `detail`: few words to speak ("two digits after the point, three wanted").
    """

    reason: str
    detail: str


REASONS = (
    "nothing heard",
    "unknown word",
    "not in the grammar",
    "decimals",
    "no point",
    "no digits",
    "two points",
    "unfinished",
    "sign not allowed",
    "unit",
    "two meanings",
    "weak margin",
    "weak score",
)

Meaning = (
    SpokenReading
    | SpokenPosition
    | SpokenFinding
    | SpokenInterval
    | SpokenGaugeCheck
    | SpokenTemperature
    | SpokenStage
    | SpokenCommand
    | NotUnderstood
)


@dataclass(frozen=True, slots=True)
class Listening:
    """What the session is ready to hear; the only thing of its state that the grammar may know.

    `mode`: "closed" (no job: control words), "open" (readings, findings, control words), "answer" (a proposal
    was read back), "paused" (after "stand by"). `position`: the part in hand, which may be left out of a call.
    `characteristics`: those that may be left out too because the bench has just asked for one of them (one id)
    or () when none was asked for. `gauge`: unit and decimals of the gauge in hand, None without one.
    `decimals`: characteristic and the digits after the point that the gauge in hand shows there, where these differ
    from the plan's. `stage`: of the overhaul; what may be said beside readings depends on it.
    """

    mode: str
    position: str | None = None
    characteristics: tuple[str, ...] = ()
    gauge: tuple[str, int] | None = None
    decimals: tuple[tuple[str, int], ...] = ()
    stage: str = "measure"
