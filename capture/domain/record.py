"""The inspection record: what the events of a job add up to. The same fold on bench and server.

Nothing is stored here that does not follow from the events: corrections replace by sequence, history is kept,
verdicts and derived values are computed anew from the plan text inside the job-opened event.

What was read as found and as left is kept apart: each entry has its `stage`. A value computed as left takes an input
that the plan does not ask for as left, and that was not read so, from the readings as found, and its working says so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from typing import TypeVar

from capture.domain.consequences import consequence_of
from capture.domain.derived import SET_SPREAD, Computed, compute, compute_set
from capture.domain.errors import DomainError
from capture.domain.events import AS_FOUND, AS_LEFT, READING_STAGES, Event, quantity_of, reading_stage
from capture.domain.gauges import in_doubt
from capture.domain.interval_events import as_called, interval_of
from capture.domain.intervals import Interval
from capture.domain.overhauls import read_earlier
from capture.domain.parts import Parts, fold_parts
from capture.domain.plan import Derived, InspectionPlan, load
from capture.domain.statistics import summary
from capture.domain.units import Quantity, exact_text
from capture.domain.verdicts import (
    Temperatures,
    Verdict,
    check,
    check_computed,
    check_interval,
    disagreement,
    no_limits,
)
from capture.domain.wear_since import Now, WearEntry, carried, wear_entries


@dataclass(frozen=True, slots=True)
class Entry:
    """One characteristic at one position and stage: the reading that counts, and all before it, oldest first.

    `repeats`: every reading that counts when the plan asks for several, `reading` the last of them. `quantity` is
    the reading, of several their mean. `doubt` says why a gauge leaves it in doubt, "" when none does.
    """

    position: str
    characteristic: str
    reading: Event
    history: tuple[Event, ...]
    quantity: Quantity
    verdict: Verdict
    repeats: tuple[Event, ...] = ()
    doubt: str = ""
    stage: str = AS_FOUND


@dataclass(frozen=True, slots=True)
class IntervalEntry:
    """A reading that is an interval; `differs` says when a computed clearance at the position disagrees with it.

    `doubt` says why a gauge leaves it in doubt, "" when none does.
    """

    position: str
    characteristic: str
    reading: Event
    history: tuple[Event, ...]
    interval: Interval
    verdict: Verdict
    differs: str = ""
    stage: str = AS_FOUND
    doubt: str = ""


@dataclass(frozen=True, slots=True)
class DerivedEntry:
    """One value computed at a position, or over a group (`position` is then the group's id).

    `value` exact in `unit`; `inputs`: sequences of the readings it came from.
    """

    position: str
    derived: str
    value: Fraction
    unit: str
    text: str
    verdict: Verdict
    inputs: tuple[int, ...]
    stage: str = AS_FOUND


@dataclass(frozen=True, slots=True)
class FindingEntry:
    """A condition seen at a position; `answer` is what the plan says to it, "" when nothing.

    `answer_source`, `answer_standing`: who says so. `doubt`: what was not clear, so that the lead is asked.
    """

    position: str
    finding: str
    severity: str | None
    answer: str
    event: Event
    history: tuple[Event, ...]
    extent: str | None = None
    face: str | None = None
    answer_source: str = ""
    answer_standing: str = ""
    doubt: str = ""


@dataclass(frozen=True, slots=True)
class InspectionRecord:
    """Everything known of one job. `problem` says why the plan could not be used, "" when it could.

    `left`: (position, characteristic) not yet read as found, in plan order; `left_as_left`: of what the plan asks for
    as left, not yet read so. `tags`: (position, tag text), last bound wins.
    `wear`: since the overhauls that the job was opened with.
    `people`: badges named by any event of the job, in order of first appearance.
    """

    job: str
    machine: str
    plan: InspectionPlan
    revision: str
    opened: Event
    people: tuple[str, ...]
    entries: tuple[Entry, ...]
    derived: tuple[DerivedEntry, ...]
    findings: tuple[FindingEntry, ...]
    tags: tuple[tuple[str, str], ...]
    cautions: tuple[tuple[str, str], ...]  # (caution, who acknowledged it)
    left: tuple[tuple[str, str], ...]
    problem: str = ""
    intervals: tuple[IntervalEntry, ...] = ()
    left_as_left: tuple[tuple[str, str], ...] = ()
    parts: Parts = Parts(())
    wear: tuple[WearEntry, ...] = ()

    def readings_at(self, position: str, stage: str = AS_FOUND) -> dict[str, Quantity]:
        """Return characteristic id -> reading that counts, at a position and stage.

        As left, what the plan does not ask for as left and was not read so stands as found.
        """
        read: _Read = {one: {} for one in READING_STAGES}
        for entry in self.entries:
            if entry.position == position:
                read[entry.stage][entry.characteristic] = entry.quantity
        return read[AS_FOUND] if stage == AS_FOUND else carried(self.plan, read[AS_FOUND]) | read[AS_LEFT]

    def entry(self, position: str, characteristic: str, stage: str = AS_FOUND) -> Entry | IntervalEntry | None:
        """Return what was read there at that stage, as a value or an interval; None when nothing was."""
        wanted = (position, characteristic, stage)
        both: tuple[Entry | IntervalEntry, ...] = (*self.entries, *self.intervals)
        return next((one for one in both if (one.position, one.characteristic, one.stage) == wanted), None)

    def left_at(self, stage: str) -> tuple[tuple[str, str], ...]:
        """Return (position, characteristic) still to be read at a stage, in plan order."""
        return self.left_as_left if stage == AS_LEFT else self.left


def fold(events: Iterable[Event]) -> dict[str, InspectionRecord]:
    """Return job -> its record. Events are ordered by bench, then sequence, never by clock; doubles count once.

    Events of a job that no event opened are left out, as are kinds that belong to no job.
    """
    known = {(event.bench, event.sequence): event for event in events}
    doubts = in_doubt(known.values())
    by_job: dict[str, list[Event]] = {}
    for key in sorted(known):
        job = known[key].body.get("job")
        if isinstance(job, str):
            by_job.setdefault(job, []).append(known[key])
    folded = ((job, _fold_job(job, its, doubts)) for job, its in by_job.items())
    return {job: record for job, record in folded if record is not None}


def _fold_job(job: str, events: list[Event], doubts: Mapping[tuple[str, int], str]) -> InspectionRecord | None:
    opened = next((event for event in events if event.kind == "job-opened"), None)
    if opened is None:
        return None
    plans = {event.body["plan_revision"]: _plan_of(event) for event in events if event.kind == "job-opened"}
    plan, problem = plans[opened.body["plan_revision"]]
    counts = {one.id: one.repeats.count for one in plan.characteristics}
    readings = [event for event in events if event.kind == "reading-taken"]
    live, histories = _current(readings, _slot, lambda slot: counts.get(slot[1], 1))
    quantities = _quantities(plan, live)
    order = _Order(plan)
    entries = []
    for slot in sorted(live, key=order.of):
        event, (position, name, stage) = live[slot][-1], slot
        its_plan, its_problem = plans.get(event.body["plan_revision"], (plan, problem))
        entries.append(
            Entry(
                position,
                name,
                event,
                _before(live[slot], histories),
                quantities[stage][position][name],
                _verdict(live[slot], its_plan, its_problem, quantities[stage][position]),
                tuple(live[slot]),
                next((doubts[_key(one)] for one in live[slot] if _key(one) in doubts), ""),
                stage,
            )
        )
    derived = tuple(one for stage in READING_STAGES for one in _derived(plan, live, quantities[stage], stage))
    parts = fold_parts(events, plan)
    intervals = tuple(_intervals(events, plan, order, quantities, derived, doubts))
    return InspectionRecord(
        job=job,
        machine=plan.machine,
        plan=plan,
        revision=opened.body["plan_revision"],
        opened=opened,
        people=_people(events),
        entries=tuple(entries),
        derived=derived,
        findings=_findings(events, plan, order),
        tags=tuple(parts.tags.items()),
        cautions=tuple((e.body["caution"], e.body["by"]) for e in events if e.kind == "caution-acknowledged"),
        left=_left(plan, entries, intervals, AS_FOUND),
        problem=problem,
        intervals=intervals,
        left_as_left=_left(plan, entries, intervals, AS_LEFT),
        parts=parts,
        wear=_wear(plan, opened, live, quantities),
    )


_Slot = tuple[str, str, str]  # position, characteristic, stage
_Read = dict[str, dict[str, Quantity]]  # position (or stage) -> characteristic -> reading


def _quantities(plan: InspectionPlan, live: Mapping[_Slot, list[Event]]) -> dict[str, _Read]:
    """Return stage -> what stands there: as left, what is not read anew stands as found where the plan leaves it so."""
    read: dict[str, _Read] = {stage: {} for stage in READING_STAGES}
    for (position, name, stage), its in live.items():
        read[stage].setdefault(position, {})[name] = _quantity(its)
    found, left = (read[stage] for stage in READING_STAGES)
    if left:
        read[AS_LEFT] = {at: carried(plan, found.get(at, {})) | left.get(at, {}) for at in {**found, **left}}
    return read


def _wear(
    plan: InspectionPlan, opened: Event, live: Mapping[_Slot, list[Event]], read: Mapping[str, _Read]
) -> tuple[WearEntry, ...]:
    """Return the wear since the overhauls that the opening event carries; nothing without them."""
    overhauls = read_earlier(opened.body.get("earlier", ()))
    now: dict[str, Now] = {}
    for position, found in read[AS_FOUND].items() if overhauls else ():
        taken = {name: live[(position, name, AS_FOUND)] for name in found}
        now[position] = Now(
            found=found,
            left=read[AS_LEFT].get(position, {}),
            days={name: _day(its[-1]) for name, its in taken.items()},
            sequences={name: tuple(event.sequence for event in its) for name, its in taken.items()},
        )
    return tuple(wear_entries(plan, overhauls, now))


def _day(event: Event) -> date | None:
    """Return the day of an event, None when its clock could not be believed."""
    if not event.clock_synchronised:
        return None
    try:
        return date.fromisoformat(event.at[:10])
    except ValueError:
        return None


def _slot(event: Event) -> _Slot:
    return event.body["position"], event.body["characteristic"], reading_stage(event)


def _quantity(events: list[Event]) -> Quantity:
    """Return the reading, of several their mean to two digits more than were called."""
    said = [quantity_of(event) for event in events]
    if len(said) == 1:
        return said[0]
    unit, places = said[-1].unit, max(one.places for one in said) + 2
    try:
        mean = summary([one.to_fraction(unit) for one in said]).mean
    except DomainError:  # units of two kinds: the verdict says so
        return said[-1]
    return Quantity(exact_text(Fraction(round(mean * 10**places), 10**places), 0), unit)


def _before(events: list[Event], histories: Mapping[tuple[str, int], tuple[Event, ...]]) -> tuple[Event, ...]:
    """Return what the events that count replaced or superseded, oldest first."""
    past = {_key(old): old for event in events for old in histories[_key(event)]}
    return tuple(past[key] for key in sorted(past) if past[key] not in events)


def _key(event: Event) -> tuple[str, int]:
    return event.bench, event.sequence


class _Order:
    """The plan's order of positions and characteristics; what the plan does not have comes last, by name."""

    def __init__(self, plan: InspectionPlan) -> None:
        self.positions = {one.id: index for index, one in enumerate(plan.positions)}
        self.characteristics = {one.id: index for index, one in enumerate(plan.characteristics)}

    def of(self, slot: tuple[str, ...]) -> tuple[object, ...]:
        """Return the sort key of (position, characteristic), or of these and a stage: as found first."""
        position, name, *stage = slot
        last = len(self.positions) + len(self.characteristics)
        return stage, self.positions.get(position, last), position, self.characteristics.get(name, last), name


def _plan_of(opened: Event) -> tuple[InspectionPlan, str]:
    """Return the plan inside a job-opened event, and a problem; a plan that cannot be read leaves an empty one."""
    body = opened.body
    try:
        return load(body["plan_text"], name=f"plan {body['plan_id']!r}"), ""
    except DomainError as error:
        empty = InspectionPlan(
            id=body["plan_id"],
            title="plan could not be read",
            machine="",
            unit_system="metric",
            text=body["plan_text"],
            revision=body["plan_revision"],
            cautions=(),
            positions=(),
            group_spoken=(),
            characteristics=(),
            derived=(),
            findings=(),
        )
        return empty, f"plan could not be read: {error}"


_AnySlot = TypeVar("_AnySlot", bound=tuple[str, ...])


def _current(
    events: list[Event],
    slot_of: Callable[[Event], _AnySlot],
    keeps: Callable[[_AnySlot], int] = lambda slot: 1,
) -> tuple[dict[_AnySlot, list[Event]], dict[tuple[str, int], tuple[Event, ...]]]:
    """Return place -> the events that count there, and for each event what it replaced or superseded.

    An event replaces the one whose sequence it names on the same bench, even when that stood at another place.
    Without such a name the latest events at one place count, as many as it `keeps`.
    """
    live: dict[_AnySlot, list[Event]] = {}
    before: dict[tuple[str, int], list[Event]] = {}
    by_key = {_key(event): event for event in events}
    for event in events:
        at_place = live.setdefault(slot_of(event), [])
        replaced = by_key.get((event.bench, event.body["replaces"])) if event.body["replaces"] else None
        gone = [replaced] if replaced is not None and _key(replaced) < _key(event) else []
        for old in gone:
            there = live[slot_of(old)]
            if old in there:
                there.remove(old)
        while len(at_place) >= keeps(slot_of(event)):
            gone.append(at_place.pop(0))
        before[_key(event)] = gone
        at_place.append(event)
    kept = {slot: its for slot, its in live.items() if its}
    return kept, {_key(event): _history(event, before) for its in kept.values() for event in its}


def _history(event: Event, before: Mapping[tuple[str, int], list[Event]]) -> tuple[Event, ...]:
    """Return all that an event replaced or superseded, and what these did, oldest first."""
    past: dict[tuple[str, int], Event] = {}
    waiting = list(before[_key(event)])
    while waiting:
        one = waiting.pop()
        if _key(one) not in past:
            past[_key(one)] = one
            waiting += before[_key(one)]
    return tuple(past[key] for key in sorted(past))


def _verdict(events: list[Event], plan: InspectionPlan, problem: str, readings: dict[str, Quantity]) -> Verdict:
    said = [quantity_of(event) for event in events]
    if problem:
        return no_limits(str(said[-1]), problem)
    body = events[-1].body
    part, gauge = (_optional(body.get(name)) for name in ("temperature", "gauge_temperature"))
    temperatures = Temperatures(part, gauge) if part is not None else None
    try:
        one = plan.characteristic(body["characteristic"])
        return check(said[-1], one, plan, readings, repeats=said, temperatures=temperatures)
    except DomainError as error:
        return no_limits(str(said[-1]), str(error))


def _optional(value: Mapping[str, str] | None) -> Quantity | None:
    return None if value is None else Quantity(value["text"], value["unit"])


def _derived(
    plan: InspectionPlan, live: Mapping[_Slot, list[Event]], read: _Read, stage: str
) -> Iterable[DerivedEntry]:
    by_group = {
        group: [one for one in plan.derived if group in one.groups and one.rule != SET_SPREAD]
        for group, _ in plan.group_spoken
    }
    for position in plan.positions if read else ():
        at = read.get(position.id)
        for derived in by_group[position.group] if at else ():
            yield from _computed(position.id, derived, plan, live, at or {}, stage)
    for derived in plan.derived if read else ():
        for group in derived.groups if derived.rule == SET_SPREAD else ():
            part = derived.inputs[0][1]
            here = {one.id: read.get(one.id, {}).get(part) for one in plan.positions_of(group)}
            yield from _set(group, derived, plan, live, {key: value for key, value in here.items() if value}, stage)


def _computed(
    position: str,
    derived: Derived,
    plan: InspectionPlan,
    live: Mapping[_Slot, list[Event]],
    readings: dict[str, Quantity],
    stage: str,
) -> Iterable[DerivedEntry]:
    try:
        made = compute(derived, readings)
        if made is not None:
            verdict = check_computed(made, plan, readings)
            yield from _entry(position, made, verdict, live, [(position, name) for name in made.sources], stage)
    except DomainError:  # an input in a unit of another kind has its own verdict, which says so
        return


def _set(
    group: str,
    derived: Derived,
    plan: InspectionPlan,
    live: Mapping[_Slot, list[Event]],
    readings: dict[str, Quantity],
    stage: str,
) -> Iterable[DerivedEntry]:
    try:
        made = compute_set(derived, plan.positions_of(group), readings)
        if made is not None:
            verdict = check_computed(made, plan, {})
            part = derived.inputs[0][1]
            yield from _entry(group, made, verdict, live, [(one, part) for one in made.sources], stage)
    except DomainError:
        return


def _entry(
    position: str,
    made: Computed,
    verdict: Verdict,
    live: Mapping[_Slot, list[Event]],
    places: list[tuple[str, str]],
    stage: str,
) -> Iterable[DerivedEntry]:
    """Return the value; as left only when an input of it was read as left, naming those that stand as found."""
    sources = {place: live.get((*place, stage)) for place in places}
    if not any(sources.values()):
        return
    carried = [place for place, its in sources.items() if not its]
    if carried:
        names = ", ".join(f"{at} {name}" for at, name in carried)
        verdict = replace(verdict, working=f"{verdict.working}; as found: {names}")
    unit = made.derived.unit
    value = made.value(unit)
    text = exact_text(value, made.places)
    inputs = tuple(event.sequence for at, its in sources.items() for event in its or live[(*at, AS_FOUND)])
    yield DerivedEntry(position, made.derived.id, value, unit, text, verdict, inputs, stage)


def _intervals(
    events: list[Event],
    plan: InspectionPlan,
    order: _Order,
    quantities: dict[str, _Read],
    derived: tuple[DerivedEntry, ...],
    doubts: Mapping[tuple[str, int], str],
) -> Iterable[IntervalEntry]:
    taken = [event for event in events if event.kind == "interval-taken"]
    live, histories = _current(taken, _slot)
    for slot in sorted(live, key=order.of):
        event, (position, name, stage) = live[slot][-1], slot
        differs = ""
        try:
            one = plan.characteristic(name)
            held = interval_of(event, one, quantities[stage].get(position, {}))
            verdict = check_interval(held, one, quantities[stage].get(position, {}))
            near = [d for d in derived if (d.position, d.derived, d.stage) == (position, one.beside, stage)]
            differs = next((text for d in near if (text := disagreement(d.value, held, one.title))), "")
        except DomainError as error:  # not of this plan, another kind of unit, or its diameter is not read yet
            held = as_called(event)
            verdict = no_limits(held.text, str(error))
        doubt = doubts.get(_key(event), "")
        yield IntervalEntry(position, name, event, histories[_key(event)], held, verdict, differs, stage, doubt)


def _findings(events: list[Event], plan: InspectionPlan, order: _Order) -> tuple[FindingEntry, ...]:
    noted = [event for event in events if event.kind == "finding-noted"]
    live, histories = _current(noted, lambda event: (event.body["position"], event.body["finding"]))
    found = [_finding(event, plan, histories[_key(event)]) for its in live.values() for event in its]
    return tuple(sorted(found, key=lambda one: (order.of((one.position, one.finding)), _key(one.event))))


def _finding(event: Event, plan: InspectionPlan, history: tuple[Event, ...]) -> FindingEntry:
    body = event.body
    extent, face = body.get("extent"), body.get("face")
    answer = consequence_of(plan, body["finding"], body["severity"], extent, face)
    return FindingEntry(
        position=body["position"],
        finding=body["finding"],
        severity=body["severity"],
        answer=answer.text,
        event=event,
        history=history,
        extent=extent,
        face=face,
        answer_source=answer.source,
        answer_standing=answer.standing,
        doubt=answer.doubt,
    )


def _people(events: list[Event]) -> tuple[str, ...]:
    named = (event.body.get("by") for event in events)
    return tuple(dict.fromkeys(name for name in named if name))


_ENOUGH = 99  # an interval reading stands for all repeats


def _left(
    plan: InspectionPlan, entries: list[Entry], intervals: tuple[IntervalEntry, ...], stage: str
) -> tuple[tuple[str, str], ...]:
    """Return what is still to be read at a stage: nothing yet, too few repeats, or only what a bad gauge gave."""
    have = {
        (one.position, one.characteristic): len(one.repeats)
        for one in entries
        if one.stage == stage and not one.doubt
    }
    sure = (one for one in intervals if one.stage == stage and not one.doubt)
    have |= {(one.position, one.characteristic): _ENOUGH for one in sure}
    wanted = (
        ((position.id, one.id), one.repeats.count)
        for position in plan.positions
        for one in plan.characteristics
        if position.group in one.groups and (stage == AS_FOUND or one.as_left)
    )
    return tuple(slot for slot, count in wanted if have.get(slot, 0) < count)
