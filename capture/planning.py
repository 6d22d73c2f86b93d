"""What `benchcall plan` does: check a plan as a bench will use it, and show what the mechanic will be asked.

Reading a plan (`capture.domain.plan.load`) finds what is wrong in itself. Here its worked examples are run, and its
spoken language is tried out: whether two calls are the same words, and whether two names sound too much alike.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations
from pathlib import Path

from capture.domain.errors import DomainError, PlanError
from capture.domain.examples import check_examples
from capture.domain.outline import gauge_notes, limits_text, outline
from capture.domain.places import Places
from capture.domain.plan import Characteristic, InspectionPlan
from capture.domain.schema import plan_schema
from capture.domain.spoken import CONTROL_PHRASES, NUMBER_WORDS, UNIT_WORDS
from capture.errors import SettingsError
from capture.keep import read_plan
from capture.language.grammar import Grammar
from capture.language.meaning import Listening, Meaning, NotUnderstood, SpokenInterval, SpokenReading
from capture.language.prompt import made_up_value
from capture.language.vocabulary import DIGITS
from capture.likeness import Sounds, closest_fixed, distance, shown, sounds_of

_LOOKED_AT = 500
"""Ambiguous calls looked at for one state; most of them are answered with a way to say it."""


@dataclass(frozen=True, slots=True)
class Name:
    """A name that is called, and where the plan gives it. `groups`: where it competes with other names."""

    text: str
    section: str
    id: str
    key: str
    groups: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Remark:
    """What a check found: `error` is a fault of the plan, `note` something to know; one of the two is there."""

    error: PlanError | None = None
    note: str = ""


def check_files(paths: Sequence[Path]) -> int:
    """Check plan files, saying each fault in one line on the error output; return how many faults there are.

    Raises:
        VoiceError: names cannot be turned into sounds here; what was found before is said.
    """
    faults = 0
    for path in paths:
        found = 0
        try:
            plan = read_plan(path)
        except (DomainError, SettingsError) as error:
            print(f"benchcall: {error}", file=sys.stderr)
            faults += 1
            continue
        for remark in check_plan(plan, str(path)):
            if remark.error is None:
                print(f"note: {remark.note}")
            else:
                found += 1
                print(f"benchcall: {remark.error}", file=sys.stderr)
        if not found:
            held = f"{len(plan.examples)} worked example{'' if len(plan.examples) == 1 else 's'} held"
            print(f"{path}: {plan.title}, revision {plan.revision}, {len(plan.positions)} positions, {held}")
        faults += found
    return faults


def schema_text() -> str:
    """Return the JSON Schema of plan files as text."""
    return json.dumps(plan_schema(), indent=2, ensure_ascii=False)


def check_plan(plan: InspectionPlan, name: str) -> Iterator[Remark]:
    """Yield what is wrong with a plan that could be read, each as it is found; nothing when it may be used.

    Raises:
        VoiceError: names cannot be turned into sounds here; everything else was checked before.
    """
    places = Places(plan, name)
    for example, result in zip(plan.examples, check_examples(plan), strict=True):
        if result.problem:
            message = f"does not hold: {result.problem}"
            remedy = "correct the example, or the limits it shows to be wrong"
            yield Remark(places.error("example", example.id, "verdict", message, remedy=remedy))
    if not plan.examples:
        yield Remark(note=f"{name}: no worked example; add [[example]] so that the limits are tried out")
    yield from _ambiguous_calls(plan, places)
    yield from _alike_names(plan, places)


# --- two calls of the same words


def listening_states(plan: InspectionPlan) -> Iterator[Listening]:
    """Yield states that between them hear everything the plan lets be said.

    What is heard with part and gauge in hand and one characteristic asked for holds all that is heard without; so
    the narrower states need no look of their own.
    """
    for group, _ in plan.group_spoken:
        part = plan.positions_of(group)[0].id
        for mode in ("open", "answer"):
            measured = plan.characteristics_at(part)
            for one in measured:
                gauge = plan.gauge(one.gauge) if one.gauge else None
                in_hand = (gauge.unit, gauge.decimals) if gauge and mode == "open" else None
                yield Listening(mode, part, (one.id,), in_hand)
            if not measured:
                yield Listening(mode, part)


def _grammars(plan: InspectionPlan) -> Iterator[Grammar]:
    """Yield the grammars of these states, those that hear alike once.

    Which characteristic is asked for changes what may be said by its unit alone.
    """
    units: set[tuple[str, str, str]] = set()
    known: set[str] = set()
    for listening in listening_states(plan):
        group = plan.position(listening.position or "").group
        unit = plan.characteristic(listening.characteristics[0]).unit if listening.characteristics else ""
        if (listening.mode, group, unit) in units:
            continue
        units.add((listening.mode, group, unit))
        grammar = Grammar.build(plan, listening)
        if grammar.key not in known:
            known.add(grammar.key)
            yield grammar


def _ambiguous_calls(plan: InspectionPlan, places: Places) -> Iterator[Remark]:
    """Yield groups with calls of two meanings that no other words of the plan could tell apart.

    Where what is measured has a spoken word, the bench answers with a way to say it ("say thickness between the
    part and the value"), and that is no fault.
    """
    told: set[str] = set()
    for grammar in _grammars(plan):
        for words in grammar.transducer.ambiguities(most=_LOOKED_AT):
            call = " ".join(words)
            group = _group_called(plan, call)
            if group in told or not isinstance(grammar.interpret(words), NotUnderstood):
                continue
            if all(one.spoken for one in plan.characteristics if group in one.groups):
                continue
            told.add(group)
            message = f'is called in a way that means two things, for example "{call}"'
            remedy = "give what is measured there a spoken word, or its group fewer parts or another name"
            yield Remark(places.error("group", group, "spoken", message, value=call, remedy=remedy))


def _group_called(plan: InspectionPlan, call: str) -> str:
    """Return the group whose name stands in a call, the longest such name; the first group when none does."""
    named = [(len(spoken), group) for group, spoken in plan.group_spoken if f" {spoken} " in f" {call} "]
    return max(named)[1] if named else plan.group_spoken[0][0]


# --- names that sound alike


def names_of(plan: InspectionPlan) -> tuple[Name, ...]:
    """Return every name that is called, in plan order."""
    everywhere = tuple(group for group, _ in plan.group_spoken)
    found = [Name(spoken, "group", group, "spoken", everywhere) for group, spoken in plan.group_spoken]
    found += [Name(one.spoken, "characteristic", one.id, "spoken", one.groups) for one in plan.characteristics]
    for kind in plan.findings:
        found.append(Name(kind.spoken, "finding", kind.id, "spoken", everywhere))
        found += [Name(each, "finding", kind.id, "severities", everywhere) for each in kind.severities]
    return tuple(one for one in found if one.text)


def _alike_names(plan: InspectionPlan, places: Places) -> Iterator[Remark]:
    names = names_of(plan)
    fixed = (*sorted(NUMBER_WORDS | UNIT_WORDS), *CONTROL_PHRASES)
    sounds = sounds_of([*(one.text for one in names), *fixed])
    least = closest_fixed().distance
    told: set[frozenset[str]] = set()
    for one, other in combinations(names, 2):
        pair = frozenset((one.text, other.text))
        apart = distance(sounds[one.text], sounds[other.text])
        if len(pair) == 2 and pair not in told and set(one.groups) & set(other.groups) and apart < least:
            told.add(pair)
            what = f"which sounds too much like {one.text!r} of {one.section} {one.id!r}"
            yield Remark(_too_alike(places, other, what, apart))
    for name in {each.text: each for each in names}.values():
        yield from _like_fixed_words(plan, places, name, sounds, fixed, least)


def _too_alike(places: Places, name: Name, what: str, apart: int) -> PlanError:
    pair = closest_fixed()
    measure = f"{shown(apart)} sound features apart, {pair.one!r} and {pair.other!r} are {shown(pair.distance)}"
    message = f"has {name.key} = {name.text!r}, {what} ({measure})"
    return places.error(name.section, name.id, name.key, message, value=name.text, remedy="choose other words")


def _like_fixed_words(
    plan: InspectionPlan, places: Places, name: Name, sounds: Mapping[str, Sounds], fixed: Sequence[str], least: int
) -> Iterator[Remark]:
    """Yield what a name could be heard as: a fault for a control word, and for others where a wrong value follows.

    Where the plan's plausible range shows every such value up, the bench asks once more; then it is only noted.
    """
    near = sorted((distance(sounds[name.text], sounds[word]), word) for word in fixed)
    for apart, word in near:
        if apart >= least:
            return
        if word in CONTROL_PHRASES:
            yield Remark(_too_alike(places, name, f"which sounds too much like the control word {word!r}", apart))
            return
        taken = _taken_instead(plan, name, word)
        if taken is None:
            continue
        what = f'which sounds like {word!r}, and "{taken.call}" is another reading'
        error = _too_alike(places, name, what, apart)
        if taken.is_shown_up:
            yield Remark(note=str(error).removesuffix("choose other words") + "its plausible range shows it up")
        else:
            yield Remark(error)
        return


@dataclass(frozen=True, slots=True)
class _Taken:
    """A call that is another reading when one word is heard for another; whether its value is always implausible."""

    call: str
    is_shown_up: bool


def _taken_instead(plan: InspectionPlan, name: Name, word: str) -> _Taken | None:
    """Return a call that is another reading when `word` is heard for the name, the worst one; None if there is none."""
    shown_up: _Taken | None = None
    for listening in listening_states(plan):
        if listening.mode != "open":
            continue
        grammar = Grammar.build(plan, listening)
        for call in _calls_with(plan, name, listening):
            swapped = tuple(f" {call} ".replace(f" {name.text} ", f" {word} ", 1).split())
            heard, meant = grammar.interpret(swapped), grammar.interpret(call.split())
            if not isinstance(heard, SpokenReading | SpokenInterval):
                continue
            if grammar.meaning_key(swapped) == grammar.meaning_key(tuple(call.split())):
                continue
            taken = _Taken(" ".join(swapped), _is_shown_up(plan, listening, heard, meant, word))
            if not taken.is_shown_up:
                return taken
            shown_up = shown_up or taken
    return shown_up


def _is_shown_up(plan: InspectionPlan, listening: Listening, heard: Meaning, meant: Meaning, word: str) -> bool:
    """Say whether a digit heard before a value always makes it implausible for what it is then taken for."""
    digit = next((at for at, names in enumerate(DIGITS) if word in names), None)
    if digit is None or not isinstance(meant, SpokenReading) or not isinstance(heard, SpokenReading):
        return False
    asked = listening.characteristics[0] if listening.characteristics else ""
    said, taken = (plan.characteristic(one.characteristic or asked).plausible for one in (meant, heard))
    return digit_makes_implausible(digit, said, taken)


Range = tuple[Fraction, Fraction]


def digit_makes_implausible(digit: int, said: Range | None, taken: Range | None) -> bool:
    """Say whether a value within one range never lies within the other once a digit is put before it.

    A range that the plan does not give holds every value.

    >>> held = (Fraction(2), Fraction(12))
    >>> digit_makes_implausible(4, held, held), digit_makes_implausible(4, (Fraction(1), Fraction(50)), None)
    (True, False)
    """
    if taken is None:
        return False
    lower, upper = said or (Fraction(0), taken[1])
    places = 0  # of the value's whole part; none when it is said from the point on
    while places == 0 or 10 ** (places - 1) <= upper:
        end, added = Fraction(10**places), digit * 10**places
        least = max(lower, Fraction(10 ** (places - 1)) if places > 1 else Fraction(0))
        if least <= upper and least < end and least + added <= taken[1]:
            reaches = end + added > taken[0] if end <= upper else upper + added >= taken[0]
            if reaches:
                return False
        places += 1
    return True


def _calls_with(plan: InspectionPlan, name: Name, listening: Listening) -> Iterator[str]:
    """Yield calls that hold a name, with made-up values, with the part and without."""
    part = plan.position(listening.position or "")
    for head in (part.spoken, ""):
        for one in plan.characteristics_at(part.id):
            value = made_up_value(one.decimals, 0)
            for said in (value, f"point {value.partition(' point ')[2]}"):
                call = " ".join(f"{head} {one.spoken} {said}".split())
                if f" {name.text} " in f" {call} ":
                    yield call


# --- what the mechanic will be asked


def show_plan(plan: InspectionPlan) -> Iterator[str]:
    """Yield the lines of `benchcall plan show`: what is asked, in order, how it is called, and within which limits."""
    yield f"{plan.title}: {plan.machine}"
    yield f"revision {plan.revision}, {plan.unit_system} units, decided by {plan.decision.kind}"
    if plan.cautions:
        yield from ("", "Before anything else, each acknowledged:")
        yield from (f"  {text}" for text in plan.cautions)
    yield from ("", "Asked, in this order:")
    for at, asked in enumerate(outline(plan), start=1):
        one = plan.characteristic(asked.characteristic)
        value = asked.value if one.counted else f'"{made_up_value(one.decimals, 0)}" ({asked.value})'
        yield f'{at:4d}. "{asked.words}" {value}{_times(one)}'
        yield f"      {one.title}: {asked.limits or 'no limits stated'}"
    yield from _shown_derived(plan)
    if plan.findings:
        yield from ("", "Findings, called after the part:")
        for kind in plan.findings:
            severities = f", {' or '.join(kind.severities)}" if kind.severities else ""
            answer = f"; the plan says: {kind.answer}" if kind.answer else ""
            yield f'  "{kind.spoken}"{severities}{answer}'
    yield from _shown_gauges(plan)


def _times(one: Characteristic) -> str:
    where = f" at {', '.join(one.repeats.at)}" if one.repeats.at else ""
    return f", {one.repeats.count} times{where}" if one.repeats.count > 1 else ""


def _shown_derived(plan: InspectionPlan) -> Iterable[str]:
    if not plan.derived:
        return
    yield from ("", "Computed as soon as its readings are there:")
    for one in plan.derived:
        inputs = ", ".join(plan.characteristic(name).title for _, name in one.inputs)
        yield f"  {one.title} ({one.rule} of {inputs}): {limits_text(one.limits, plan) or 'no limits stated'}"


def _shown_gauges(plan: InspectionPlan) -> Iterable[str]:
    if not plan.gauges:
        return
    used = {one.gauge for one in plan.characteristics}
    yield from ("", "Gauges:")
    for gauge in plan.gauges:
        if gauge.id in used:
            due = f", calibration due {gauge.due}" if gauge.due else ""
            yield f"  {gauge.title}: shows {gauge.decimals} decimals, {gauge.unit}{due}"
    yield from (f"  {note}" for note in gauge_notes(plan))
