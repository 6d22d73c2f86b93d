"""Errors of the pure rules. This module imports nothing of ours."""

from __future__ import annotations

LONGEST = 1000


def one_line(text: str) -> str:
    """Return a message as one line of printable signs, cut when it is long: foreign text may be anything.

    >>> one_line("Tag 'a\\nb' is wrong"), len(one_line("x" * 5000))
    ("Tag 'a?b' is wrong", 1000)
    """
    if len(text) > LONGEST:
        text = f"{text[: LONGEST - 4]} ..."
    return text if text.isprintable() else "".join(sign if sign.isprintable() else "?" for sign in text)


class DomainError(Exception):
    """Root of every error raised by `capture.domain`.

    `thing` names what was wrong, `value` is what it got (as text), `remedy` what to do.
    """

    def __init__(self, message: str, *, thing: str = "", value: str = "", remedy: str = "") -> None:
        message = one_line(message)
        super().__init__(f"{message}; {one_line(remedy)}" if remedy else message)
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
