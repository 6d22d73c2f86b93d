"""Errors of the pure rules. This module imports nothing of ours."""

from __future__ import annotations


class DomainError(Exception):
    """Root of every error raised by `capture.domain`.

    `thing` names what was wrong, `value` is what it got (as text), `remedy` what to do.
    """

    def __init__(self, message: str, *, thing: str = "", value: str = "", remedy: str = "") -> None:
        super().__init__(f"{message}; {remedy}" if remedy else message)
        self.thing = thing
        self.value = value
        self.remedy = remedy


class QuantityError(DomainError, ValueError):
    """A text is not a number as it can be read off a gauge."""


class UnitError(DomainError, ValueError):
    """A unit is unknown, or two units do not measure the same thing."""


class LimitError(DomainError, ValueError):
    """Limits contradict one another or cannot be applied."""


class PlanError(DomainError, ValueError):
    """An inspection plan is wrong; the message names file, place, value and remedy."""


class IdentifierError(DomainError, ValueError):
    """A tag text of our own scheme is malformed or its check character is wrong."""


class EventError(DomainError, ValueError):
    """An event or its JSON form is malformed."""


class ChainError(DomainError, ValueError):
    """The hash chain of a log breaks; `sequence` says where."""

    def __init__(self, message: str, *, sequence: int, value: str = "", remedy: str = "") -> None:
        super().__init__(message, thing="event", value=value, remedy=remedy)
        self.sequence = sequence
