"""`benchcall plan new`: asks for what a plan must hold, each answer checked at once, and writes it.

It asks for the plain case: parts by position, what is read on each, limits with whose they are, and one worked
example. Derived values, gauges and what else `capture/plans/FORMAT.md` lists are added to the file by hand.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TextIO

from capture.domain.errors import DomainError
from capture.domain.plan import STANDINGS, load
from capture.domain.spoken import CONTROL_PHRASES, LARGEST_COUNT, NUMBER_WORDS, UNIT_WORDS
from capture.domain.units import UNIT_NAMES, Quantity
from capture.domain.verdicts import CONFORMING, NONCONFORMING_ABOVE, NONCONFORMING_BELOW
from capture.errors import SettingsError, StoreError
from capture.likeness import closest_fixed, distance, sounds_of
from capture.planning import check_plan

_WORDS = re.compile(r"[a-z']+( [a-z']+)*")
_CAUTION = "Isolate, lock and tag the machine after local rules, and prove it, before anything is opened."


@dataclass
class _Talk:
    """Questions on one side, answers on the other; `names` are the spoken names given so far."""

    answers: TextIO
    questions: TextIO
    file: Path
    names: list[str] = field(default_factory=list)

    def say(self, text: str) -> None:
        """Print a line."""
        print(text, file=self.questions, flush=True)

    def ask(self, question: str, problem_of: Callable[[str], str], default: str = "") -> str:
        """Ask until the answer has no problem; an empty answer is the default.

        Raises:
            SettingsError: the answers ended.
        """
        while True:
            self.say(f"{question}{f' [{default}]' if default else ''}")
            line = self.answers.readline()
            if not line:
                raise SettingsError(f"Plan {self.file} was not written, the answers ended at {question!r}; start again")
            answer = line.strip() or default
            problem = problem_of(answer)
            if not problem:
                return answer
            self.say(f"  {problem}")

    def choose(self, question: str, choices: Sequence[str], default: str = "") -> str:
        """Ask for one of a few."""
        listed = ", ".join(choices)
        return self.ask(f"{question} ({listed})", lambda text: "" if text in choices else f"One of {listed}", default)

    def text(self, question: str, default: str = "") -> str:
        """Ask for a text that is not empty and needs no escape."""

        def problem(text: str) -> str:
            return "Not empty, and without quotes or backslashes" if not text or set('"\\') & set(text) else ""

        return self.ask(question, problem, default)

    def name(self, question: str) -> str:
        """Ask for a spoken name that is told apart from all before it and from the language's own words."""
        name = self.ask(question, self._name_problem)
        self.names.append(name)
        return name

    def _name_problem(self, name: str) -> str:
        if not _WORDS.fullmatch(name):
            return "Words as they are said, in lower case and without digits"
        for word in name.split(" "):
            if word in NUMBER_WORDS | UNIT_WORDS:
                return f"{word!r} is a number or a unit; choose other words"
        for phrase in CONTROL_PHRASES:
            if f" {phrase} " in f" {name} ":
                return f"{phrase!r} is a control word; choose other words"
        rivals = [*self.names, *CONTROL_PHRASES, *sorted(NUMBER_WORDS)]
        sounds = sounds_of([name, *rivals])
        for rival in rivals:
            if distance(sounds[name], sounds[rival]) < closest_fixed().distance:
                return f"That sounds too much like {rival!r}; choose other words"
        return ""


@dataclass(frozen=True, slots=True)
class _Read:
    """What is read on a part, as answered; `lower` and `upper` "" when open."""

    id: str
    unit: str
    decimals: int
    lower: str
    upper: str
    lines: tuple[str, ...]


def write_new_plan(file: Path, answers: TextIO, questions: TextIO) -> int:
    """Ask for a plan and write it; return the exit code.

    Raises:
        SettingsError: the file is there already, or the answers ended.
        StoreError: the file cannot be written.
        VoiceError: names cannot be turned into sounds here.
    """
    if file.exists():
        raise SettingsError(f"Plan {file} is there already and was left as it is; give another name")
    talk = _Talk(answers, questions, file)
    text = _asked(talk)
    plan = load(text, name=str(file))
    faults = [remark.error for remark in check_plan(plan, str(file)) if remark.error is not None]
    if faults:
        draft = file.with_suffix(".draft")
        _write(draft, text)
        raise SettingsError(f"Plan {file} was not written: {faults[0]}; your answers are kept in {draft}")
    _write(file, text)
    talk.say(f"{file} is written, revision {plan.revision}; see it with: benchcall plan show {file}")
    return 0


def _write(file: Path, text: str) -> None:
    try:
        with file.open("x", encoding="utf-8") as out:  # never over a file that came meanwhile
            out.write(text)
    except FileExistsError:
        raise SettingsError(f"Plan {file} is there already and was left as it is; give another name") from None
    except OSError as error:
        raise StoreError(f"Plan {file} was not written ({error.strerror}); give another place") from None


def _asked(talk: _Talk) -> str:
    title, machine = talk.text("What is inspected (title)?"), talk.text("Which machine?")
    system = talk.choose("Units of the shop?", ("inch", "metric"), "inch")
    lines = ["schema = 1", "", "[plan]", f'id = "{_id(title)}"', f'title = "{title}"', f'machine = "{machine}"']
    lines += [f'unit_system = "{system}"', "", "[[caution]]", f'text = "{_CAUTION}"', ""]
    groups: list[str] = []
    read: list[_Read] = []
    more = "yes"
    while more == "yes":
        group, its_lines, its_readings = _group(talk, system, groups, read)
        groups.append(group)
        lines += its_lines
        read += its_readings
        more = talk.choose("Another kind of part?", ("yes", "no"), "no")
    for one in read:
        lines += one.lines
    lines += _example(talk, next((one for one in read if one.lower or one.upper), None))
    return "\n".join(lines)


def _group(talk: _Talk, system: str, groups: list[str], before: list[_Read]) -> tuple[str, list[str], list[_Read]]:
    spoken = talk.name("A kind of part, as it is called (outboard shoe)?")
    group = _unlike(_id(spoken), groups)
    count = int(talk.ask("How many of them?", _count_problem, "1"))
    lines = ["[[group]]", f'id = "{group}"', f'spoken = "{spoken}"', *([f"count = {count}"] if count > 1 else []), ""]
    read: list[_Read] = []
    more = "yes"
    while more == "yes":
        read.append(_reading(talk, system, group, [one.id for one in (*before, *read)]))
        more = talk.choose(f"Another reading on each {spoken}?", ("yes", "no"), "no")
    return group, lines, read


def _reading(talk: _Talk, system: str, group: str, taken: list[str]) -> _Read:
    title = talk.text("What is read there (shoe thickness)?")
    spoken = talk.name("The word said between part and value (thickness)?")
    unit = talk.choose("In which unit?", UNIT_NAMES, "in" if system == "inch" else "mm")
    decimals = int(talk.ask("How many digits after the point does the gauge show?", _decimals_problem, "3"))
    signed = talk.choose("Can it be minus?", ("yes", "no"), "no")
    lower = talk.ask("Lower limit (empty: none)?", lambda text: _limit_problem(text, unit))
    upper = talk.ask("Upper limit (empty: none)?", lambda text: _limit_problem(text, unit, lower))
    one_id = _unlike(_id(title), taken)
    lines = ["[[characteristic]]", f'id = "{one_id}"', f'title = "{title}"', f'spoken = "{spoken}"']
    lines += [f'groups = ["{group}"]', f'unit = "{unit}"', f"decimals = {decimals}"]
    lines += ["signed = true"] if signed == "yes" else []
    if lower or upper:
        source = talk.text("Who says so (source of the limits)?")
        standing = talk.choose("Standing of that source?", STANDINGS, "plan author")
        ends = [f'{key} = "{value}"' for key, value in (("lower", lower), ("upper", upper)) if value]
        lines.append(f'limits = {{ {", ".join(ends)}, source = "{source}", standing = "{standing}" }}')
    return _Read(one_id, unit, decimals, lower, upper, (*lines, ""))


def _example(talk: _Talk, one: _Read | None) -> list[str]:
    """Ask for a worked example of a reading with limits, so that they are tried out by somebody's own sum."""
    if one is None:
        return []
    talk.say(f"A worked example of {one.id}: a reading, and what you say its verdict is.")
    kinds = (CONFORMING, *((NONCONFORMING_BELOW,) if one.lower else ()), *((NONCONFORMING_ABOVE,) if one.upper else ()))
    while True:
        value = talk.ask("The reading?", lambda text: _number_problem(text, one.unit))
        verdict = talk.choose("Its verdict?", kinds)
        gives = _simple_verdict(value, one)
        if gives == verdict:
            break
        talk.say(f"  By the limits you gave {value} is {gives}; give another, or stop and start again")
    lines = ["[[example]]", 'id = "worked-by-hand"', f'of = "{one.id}"', f'readings = {{ {one.id} = "{value}" }}']
    return [*lines, f'verdict = "{verdict}"', ""]


def _simple_verdict(value: str, one: _Read) -> str:
    size = Quantity(value, one.unit).fraction
    if one.lower and size < Quantity(one.lower, one.unit).fraction:
        return NONCONFORMING_BELOW
    return NONCONFORMING_ABOVE if one.upper and size > Quantity(one.upper, one.unit).fraction else CONFORMING


def _count_problem(text: str) -> str:
    return "" if text.isascii() and text.isdigit() and 1 <= int(text) <= LARGEST_COUNT else f"1 to {LARGEST_COUNT}"


def _decimals_problem(text: str) -> str:
    return "" if text in tuple("0123456") else "0 to 6"


def _number_problem(text: str, unit: str) -> str:
    try:
        Quantity(text, unit)
    except DomainError as error:
        return str(error)
    return ""


def _limit_problem(text: str, unit: str, lower: str = "") -> str:
    if not text or (problem := _number_problem(text, unit)):
        return "" if not text else problem
    if lower and Quantity(text, unit).fraction < Quantity(lower, unit).fraction:
        return f"That is below the lower limit {lower}"
    return ""


def _id(text: str) -> str:
    """Return an id made of a text.

    >>> _id("Shoe thickness, outboard")
    'shoe-thickness-outboard'
    """
    return "-".join(re.findall("[a-z0-9]+", text.lower())) or "plan"


def _unlike(one: str, taken: Sequence[str]) -> str:
    """Return an id that is not taken yet.

    >>> _unlike("bore", ["bore", "bore-2"])
    'bore-3'
    """
    numbered = (one, *(f"{one}-{n}" for n in range(2, len(taken) + 2)))
    return next(each for each in numbered if each not in taken)
