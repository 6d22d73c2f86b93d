"""Where each part of a job is and what tells it apart: what its events add up to, on bench and server alike.

A position is a part's own place (a hole for a pin). Nothing here decides what may be done next; that is the
dialogue's. The order of removal is kept so that rebuild can be its reverse.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

from capture.domain.events import Event
from capture.domain.plan import InspectionPlan
from capture.domain.stages import stage_of

IN_PLACE, OFF, IN_BASKET, MISSING = "in place", "off", "in basket", "missing"
WHERE: tuple[str, ...] = (IN_PLACE, OFF, IN_BASKET, MISSING)


@dataclass(frozen=True, slots=True)
class Part:
    """One part by its position.

    `where`: one of `WHERE`. `tag`: text of the tag bound to it, "" for none; `tag_is_on`: it has not come off for the
    tank. `mark`: id of the plan's mark, `mark_origin` "seen" or "made", "" for none. `basket`: id of the basket it is
    or was last in; `returned`: it came back from it. `cleaned`: ids of cleanings, oldest first. `photos`: digests.
    """

    position: str
    where: str = IN_PLACE
    tag: str = ""
    tag_is_on: bool = False
    mark: str = ""
    mark_origin: str = ""
    facing: str = ""
    basket: str = ""
    returned: bool = False
    cleaned: tuple[str, ...] = ()
    photos: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TagQuestion:
    """A bound tag that was seen at another position and is not explained yet: everything waits."""

    tag: str
    bound: str
    seen: str


@dataclass(frozen=True, slots=True)
class Count:
    """How many parts of a group are off (in a basket or back included), of how many; which are missing or still on."""

    group: str
    off: int
    wanted: int
    missing: tuple[str, ...]
    still_on: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Parts:
    """All parts of a job, in plan order, and the order in which they came off."""

    parts: tuple[Part, ...]
    removal_order: tuple[str, ...] = ()
    question: TagQuestion | None = None

    def of(self, position: str) -> Part:
        """Return the part of a position; one that nothing is known of is in place."""
        return next((one for one in self.parts if one.position == position), Part(position))

    @property
    def rebuild_order(self) -> tuple[str, ...]:
        """Return the positions in the reverse of their removal."""
        return self.removal_order[::-1]

    @property
    def missing(self) -> tuple[str, ...]:
        """Return the positions whose part is missing, in plan order."""
        return tuple(one.position for one in self.parts if one.where == MISSING)

    @property
    def tags(self) -> dict[str, str]:
        """Return position -> tag text."""
        return {one.position: one.tag for one in self.parts if one.tag}

    @property
    def baskets(self) -> dict[str, tuple[str, ...]]:
        """Return basket -> positions of the parts in it now, in plan order."""
        found: dict[str, tuple[str, ...]] = {}
        for one in self.parts:
            if one.where == IN_BASKET:
                found[one.basket] = (*found.get(one.basket, ()), one.position)
        return found

    def bearing(self, mark: str, plan: InspectionPlan, group: str) -> tuple[str, ...]:
        """Return the positions of a group whose part bears a mark."""
        return tuple(one.id for one in plan.positions_of(group) if mark and self.of(one.id).mark == mark)

    def count(self, plan: InspectionPlan, group: str) -> Count:
        """Count a group against the plan."""
        parts = [self.of(one.id) for one in plan.positions_of(group)]
        off = [one for one in parts if one.where in (OFF, IN_BASKET)]
        missing = tuple(one.position for one in parts if one.where == MISSING)
        still_on = tuple(one.position for one in parts if one.where == IN_PLACE)
        return Count(group, len(off), len(parts), missing, still_on)


@dataclass(slots=True)
class _Bench:
    """What the fold holds on its way."""

    parts: dict[str, Part]
    order: list[str] = field(default_factory=list)
    question: TagQuestion | None = None
    stage: str = ""

    def change(self, position: str, **changes: object) -> None:
        part = self.parts.get(position, Part(position))
        self.parts[position] = replace(part, **changes)  # type: ignore[arg-type]

    def take_off(self, position: str) -> None:
        self.change(position, where=OFF)
        if position not in self.order:
            self.order.append(position)

    def put_back(self, position: str, where: str) -> None:
        self.change(position, where=where)
        if position in self.order:
            self.order.remove(position)

    def bind(self, tag: str, position: str) -> None:
        """A tag is at one position only: bound anew it leaves the other."""
        for other, part in list(self.parts.items()):
            if part.tag == tag and other != position:
                self.change(other, tag="", tag_is_on=False)
        self.change(position, tag=tag, tag_is_on=True)


def fold_parts(events: Iterable[Event], plan: InspectionPlan) -> Parts:
    """Return the parts of a job.

    Args:
        events: of one job, oldest first; kinds that say nothing of parts are passed over.
    """
    bench = _Bench({one.id: Part(one.id) for one in plan.positions})
    bench.stage = stage_of((), plan.stages)
    for event in events:
        said = _FOLD.get(event.kind)
        if said is not None:
            said(bench, event)
    return Parts(tuple(bench.parts.values()), tuple(bench.order), bench.question)


def _stage(bench: _Bench, event: Event) -> None:
    bench.stage = event.body["stage"]


def _removed(bench: _Bench, event: Event) -> None:
    for position in event.body["positions"]:
        bench.take_off(position)


def _still_on(bench: _Bench, event: Event) -> None:
    bench.put_back(event.body["position"], IN_PLACE)


def _missing(bench: _Bench, event: Event) -> None:
    bench.put_back(event.body["position"], MISSING)


def _bound(bench: _Bench, event: Event) -> None:
    """A part that gets its tag while stripping has come off."""
    position = event.body["position"]
    bench.bind(event.body["tag"], position)
    if bench.stage == "strip" and bench.parts[position].where in (IN_PLACE, MISSING):
        bench.take_off(position)


def _marked(bench: _Bench, event: Event) -> None:
    bench.change(event.body["position"], mark=event.body["mark"], mark_origin=event.body["origin"])


def _faced(bench: _Bench, event: Event) -> None:
    bench.change(event.body["position"], facing=event.body["facing"])


def _filled(bench: _Bench, event: Event) -> None:
    for position in event.body["positions"]:
        bench.take_off(position)  # it cannot go in before it came off
        bench.change(position, where=IN_BASKET, basket=event.body["basket"], tag_is_on=False, returned=False)


def _cleaned(bench: _Bench, event: Event) -> None:
    for position in event.body["positions"]:
        before = bench.parts.get(position, Part(position)).cleaned
        bench.change(position, cleaned=(*before, event.body["method"]))


def _returned(bench: _Bench, event: Event) -> None:
    position, tag = event.body["position"], event.body["tag"]
    bench.take_off(position)  # keeps its place in the order when it came off before
    bench.change(position, returned=True)
    if tag:
        bench.bind(tag, position)


def _questioned(bench: _Bench, event: Event) -> None:
    tag, seen = event.body["tag"], event.body["position"]
    bound = next((one.position for one in bench.parts.values() if one.tag == tag), "")
    bench.question = TagQuestion(tag, bound, seen)


def _explained(bench: _Bench, event: Event) -> None:
    bench.bind(event.body["tag"], event.body["position"])
    bench.question = None


def _photographed(bench: _Bench, event: Event) -> None:
    before = bench.parts.get(event.body["position"], Part(event.body["position"])).photos
    bench.change(event.body["position"], photos=(*before, event.body["photo"]))


_FOLD: dict[str, Callable[[_Bench, Event], None]] = {
    "stage-entered": _stage,
    "parts-removed": _removed,
    "removal-withdrawn": _still_on,
    "part-missing": _missing,
    "tag-bound": _bound,
    "mark-noted": _marked,
    "facing-noted": _faced,
    "basket-filled": _filled,
    "cleaned": _cleaned,
    "part-returned": _returned,
    "tag-questioned": _questioned,
    "tag-explained": _explained,
    "photo-kept": _photographed,
}
