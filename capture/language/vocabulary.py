"""The words of the language, and what of an inspection plan may be said.

`SpokenPlan` is all that the grammar ever sees of a plan: ids, names, unit, decimals, sign. It has no field
for a nominal, a limit or a plausible range, so hearing cannot depend on them (promise 2).

Source: digit words, radio forms and control words as in ICAO Annex 10 Vol. II, 5.2.1.4.3 and 5.2.1.5.8, and ITU
Radio Regulations, Appendix 14 (figure code); "oh", "nought" and the units of the shop are common practice.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache

from capture.domain.plan import InspectionPlan
from capture.domain.spoken import DIGIT_WORDS

DIGITS: tuple[tuple[str, ...], ...] = (
    ("zero", "oh", "nought"),
    ("one",),
    ("two",),
    ("three", "tree"),
    ("four", "fower"),
    ("five", "fife"),
    ("six",),
    ("seven",),
    ("eight",),
    ("nine", "niner"),
)
"""For each digit the words an engine may hear for it: those that sound different from one another."""

TEENS: dict[str, int] = {
    each: number
    for number, each in enumerate(
        "ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen".split(), start=10
    )
}
TENS: dict[str, int] = {
    each: 10 * number
    for number, each in enumerate("twenty thirty forty fifty sixty seventy eighty ninety".split(), start=2)
}
POINTS: tuple[str, ...] = ("point", "decimal")
MOST_PLACES = 6
"""The longest run of digits after the point that is listened for; no bench gauge shows more."""

SPELLINGS: dict[str, str] = {
    # sounds like the plain word, written otherwise by some recognisers
    "wun": "one",
    "too": "two",
    "ait": "eight",
    "naught": "nought",
    # ITU figure code; nobody is offered these, typed or transcribed text may hold them
    "nadazero": "zero",
    "unaone": "one",
    "bissotwo": "two",
    "terrathree": "three",
    "kartefour": "four",
    "pantafive": "five",
    "soxisix": "six",
    "setteseven": "seven",
    "oktoeight": "eight",
    "novenine": "nine",
    # American spelling
    "millimeter": "millimetre",
    "millimeters": "millimetres",
    "micrometer": "micrometre",
    "micrometers": "micrometres",
    "meter": "metre",
    "meters": "metres",
}
"""Other spellings of a word, put right before anything else. "to", "for", "ate" and "won" are not among them:
they are words of their own, and a number with one in it is asked again."""

COMMANDS: tuple[str, ...] = (
    "affirm",
    "negative",
    "say again",
    "disregard",
    "stand by",
    "carry on",
    "read back",
    "what is left",
)
"""Names of the control words as `SpokenCommand.command` holds them; each is said by its own name."""

COMMAND_ALSO: dict[str, str] = {"yes": "affirm", "no": "negative"}
"""Plain words for a command, heard only when a proposal waits for its answer."""

CORRECTION = "correction"

GAUGE_COMMANDS: tuple[str, ...] = ("gauge dropped", "gauge bad")
"""Commands that are heard while a gauge is in hand."""

ZERO_CHECK, STANDARD, READS = "zero check", "standard", "reads"
GOES, DOES_NOT = "goes", "does not"
TEMPERATURES: tuple[str, ...] = ("part", "gauge")
TEMPERATURE = "temperature"
BEGIN = "begin"
BESIDES: tuple[str, ...] = (
    *(*GAUGE_COMMANDS, ZERO_CHECK, STANDARD, READS, GOES, DOES_NOT),
    *(*TEMPERATURES, TEMPERATURE, BEGIN),
)
"""What may be said besides in some plans and states; elsewhere it is known, but not taken."""

COMMANDS_BY_MODE: dict[str, tuple[str, ...]] = {
    "closed": ("say again", "stand by", "disregard", "read back", "what is left"),
    "open": ("say again", "disregard", "stand by", "read back", "what is left", "negative", "affirm"),
    "answer": ("affirm", "negative", "say again", "disregard", "stand by"),
    "paused": ("carry on",),
}

MODES: tuple[str, ...] = tuple(COMMANDS_BY_MODE)

SPLIT: dict[tuple[str, str], str] = {("mil", "metres"): "millimetres", ("mil", "metre"): "millimetre"}
"""One word that recognisers print as two."""


def normalise(words: Iterable[str]) -> tuple[str, ...]:
    """Return the words in lower case, commas left out, with other spellings put right.

    >>> normalise(["Wun", "point", "too", "naught"])
    ('one', 'point', 'two', 'nought')
    """
    said: list[str] = []
    for each in words:
        plain = each.strip(" ,").lower()
        plain = SPELLINGS.get(plain, plain)
        if said and (said[-1], plain) in SPLIT:
            said[-1] = SPLIT[said[-1], plain]
        elif plain:
            said.append(plain)
    return tuple(said)


@dataclass(frozen=True, slots=True)
class SpokenCharacteristic:
    """What may be known of a characteristic by ear. `decimals`: digits the gauge shows after the point.

    `by_feeler`: measured directly, so that "four goes, five does not" may be said of it.
    """

    id: str
    spoken: str
    groups: tuple[str, ...]
    unit: str
    decimals: int
    signed: bool
    by_feeler: bool = False


@dataclass(frozen=True, slots=True)
class SpokenPlan:
    """What may be known of a plan by ear; `positions` are (id, group, words), `findings` (id, words, severities).

    `takes_temperatures`: some length of it is referred to 20 degC. `stages`: of an overhaul, () when it has but one.
    """

    unit_system: str
    positions: tuple[tuple[str, str, str], ...]
    characteristics: tuple[SpokenCharacteristic, ...]
    findings: tuple[tuple[str, str, tuple[str, ...]], ...]
    takes_temperatures: bool = False
    stages: tuple[str, ...] = ()

    def with_decimals(self, decimals: tuple[tuple[str, int], ...]) -> SpokenPlan:
        """Return the plan with the digits after the point that the gauge in hand shows."""
        shown = dict(decimals)
        characteristics = tuple(replace(one, decimals=shown.get(one.id, one.decimals)) for one in self.characteristics)
        return replace(self, characteristics=characteristics) if shown else self

    def group_of(self, position: str) -> str | None:
        """Return the group of a position, None when the plan has no such position."""
        return next((group for one, group, _ in self.positions if one == position), None)

    def at_group(self, group: str | None) -> tuple[SpokenCharacteristic, ...]:
        """Return what is measured at the positions of a group, in plan order."""
        return tuple(one for one in self.characteristics if group in one.groups)

    def at(self, position: str) -> tuple[SpokenCharacteristic, ...]:
        """Return what is measured at a position, in plan order."""
        return self.at_group(self.group_of(position))

    def characteristic(self, characteristic: str) -> SpokenCharacteristic | None:
        """Return a characteristic by id, None when the plan has no such one."""
        return next((one for one in self.characteristics if one.id == characteristic), None)


@lru_cache(maxsize=32)
def spoken_plan(plan: InspectionPlan) -> SpokenPlan:
    """Return what may be known of a plan by ear: never nominal, limits, plausible values or earlier readings."""
    return SpokenPlan(
        unit_system=plan.unit_system,
        positions=tuple((one.id, one.group, _plain(one.spoken)) for one in plan.positions),
        characteristics=tuple(
            SpokenCharacteristic(
                one.id, _plain(one.spoken), one.groups, one.unit, one.decimals, one.signed, bool(one.beside)
            )
            for one in plan.characteristics
        ),
        findings=tuple(
            (one.id, _plain(one.spoken), tuple(_plain(severity) for severity in one.severities))
            for one in plan.findings
        ),
        takes_temperatures=any(one.expansion is not None for one in plan.characteristics),
        stages=plan.stages if len(plan.stages) > 1 else (),
    )


def _plain(text: str) -> str:
    return " ".join(normalise(text.split()))


def digit_word(digit: str) -> str:
    """Return the word the bench says for a digit: zero, never oh."""
    return DIGIT_WORDS[int(digit)]
