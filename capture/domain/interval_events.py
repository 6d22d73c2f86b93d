"""From an interval-taken event to the interval it says: feelers, or the two ends of a limit gauge."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from capture.domain.errors import QuantityError
from capture.domain.events import END_SAYS, Event
from capture.domain.intervals import Interval, from_feelers, from_plain_gauge, gauged_text
from capture.domain.limits import bounds
from capture.domain.plan import Characteristic
from capture.domain.units import Quantity


def ends_of(event: Event) -> tuple[bool | None, bool | None]:
    """Return whether the go end and the no-go end went; None: not tried."""
    go, no_go = (event.body.get(name) for name in ("go_end", "no_go_end"))
    return None if go is None else go == END_SAYS[0], None if no_go is None else no_go == END_SAYS[0]


def feelers_of(event: Event) -> tuple[Quantity | None, Quantity | None]:
    """Return the feeler that goes and the one that does not; None: not called."""
    return _feeler(event, "goes"), _feeler(event, "does_not")


def _feeler(event: Event, name: str) -> Quantity | None:
    one = event.body.get(name)
    return None if one is None else Quantity(one["text"], one["unit"])


def interval_of(event: Event, one: Characteristic, readings: Mapping[str, Quantity]) -> Interval:
    """Return the interval in the characteristic's unit; `readings` at its position are needed for rates only.

    Raises:
        DomainError: another kind of unit, no limits for a limit gauge, or its ends contradict one another.
    """
    go, no_go = ends_of(event)
    if go is None and no_go is None:
        return from_feelers(*feelers_of(event), one.unit)
    if one.limits is None or not one.limit_gauge:
        raise QuantityError(
            f"Characteristic {one.id!r} has no limit gauge in the plan", thing=one.id, remedy="call a value"
        )
    held = bounds(one.limits, readings, one.unit)
    return from_plain_gauge(held, go=go, no_go=no_go, of_bore=one.limit_gauge == "bore")


def as_called(event: Event) -> Interval:
    """Return what was called where the plan cannot say more: the ends in the unit they were called in."""
    given = next((one for one in feelers_of(event) if one is not None), None)
    if given is not None:
        return Interval(given.unit, given.fraction, None, f"{given} called")
    return Interval("1", Fraction(0), None, interval_text(event))  # a size is at least nothing; the text says what went


def interval_text(event: Event) -> str:
    """Return what was called, as one text."""
    said = [f"{one} {word}" for one, word in zip(feelers_of(event), ("goes", "does not"), strict=True) if one]
    return ", ".join(said) or gauged_text(*ends_of(event))
