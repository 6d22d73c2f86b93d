"""Plans and ways through an automaton that several tests of the language share."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import pytest

from capture.domain.plan import Characteristic, InspectionPlan, Position, load
from capture.language.automaton import Automaton
from capture.language.grammar import Grammar
from capture.language.meaning import Listening

REPOSITORY = Path(__file__).parents[2]

INCH_PLAN = """\
schema = 1

[plan]
id = "inch-plan"
title = "Shoes, seal rings, collar"
machine = "unit 2"
unit_system = "inch"

[[caution]]
text = "Isolate the machine first."

[[group]]
id = "outboard-shoe"
spoken = "outboard shoe"
count = 8

[[group]]
id = "inboard-shoe"
spoken = "inboard shoe"
count = 8

[[group]]
id = "inboard-seal-ring"
spoken = "inboard seal ring"
count = 2

[[group]]
id = "outboard-seal-ring"
spoken = "outboard seal ring"
count = 2

[[group]]
id = "thrust-collar"
spoken = "thrust collar"

[[characteristic]]
id = "shoe-thickness"
title = "Shoe thickness"
spoken = "thickness"
groups = ["outboard-shoe", "inboard-shoe"]
unit = "in"
decimals = 3
plausible = { lower = "0.5", upper = "3" }
limits = { lower = "1.246", upper = "1.254", source = "invented for the test", standing = "plan author" }

[[characteristic]]
id = "seal-bore"
title = "Seal ring bore"
spoken = "bore"
groups = ["inboard-seal-ring", "outboard-seal-ring"]
unit = "in"
decimals = 4
limits = { lower = "7.005", upper = "7.012", source = "invented for the test", standing = "plan author" }

[[characteristic]]
id = "seal-shaft"
title = "Shaft diameter under the seal ring"
spoken = "shaft"
groups = ["inboard-seal-ring", "outboard-seal-ring"]
unit = "in"
decimals = 4

[[characteristic]]
id = "runout"
title = "Collar runout"
spoken = "runout"
groups = ["thrust-collar"]
unit = "in"
decimals = 3
signed = true
limits = { lower = "-0.004", upper = "0.004", source = "invented for the test", standing = "plan author" }

[[characteristic]]
id = "heat"
title = "Collar temperature"
spoken = "temperature"
groups = ["thrust-collar"]
unit = "degC"
decimals = 1
signed = true

[[finding]]
id = "scoring"
spoken = "scoring"
severities = ["light", "heavy"]
source = "invented for the test"
standing = "plan author"

[[finding]]
id = "marks-gone"
spoken = "machining marks gone"
source = "invented for the test"
standing = "plan author"
"""

METRIC_PLAN = """\
schema = 1

[plan]
id = "metric-plan"
title = "Wear rings and keyway"
machine = "pump 4"
unit_system = "metric"

[[caution]]
text = "Isolate the machine first."

[[group]]
id = "wear-ring"
spoken = "wear ring"
count = 4

[[group]]
id = "coupling"
spoken = "coupling"

[[characteristic]]
id = "bore"
title = "Bore"
spoken = "bore"
groups = ["wear-ring"]
unit = "mm"
decimals = 2

[[characteristic]]
id = "offset"
title = "Offset"
spoken = "offset"
groups = ["coupling"]
unit = "mm"
decimals = 3
signed = true

[[characteristic]]
id = "angle"
title = "Angle of the high spot"
spoken = "angle"
groups = ["coupling"]
unit = "deg"
decimals = 0

[[characteristic]]
id = "torque"
title = "Bolt torque"
spoken = "torque"
groups = ["coupling"]
unit = "N*m"
decimals = 0
"""

MANY_SHOES = INCH_PLAN.replace("count = 8", "count = 24", 1)
"""More than twenty of a kind: "shoe twenty two point five" can be shoe 20 or shoe 22."""


def all_listening(plan: InspectionPlan) -> Iterator[Listening]:
    """Yield the states of a session that differ for hearing: each mode, each kind of part in hand and thing asked.

    With something asked a bench accepts all that it does without, so those states stand for the others.
    """
    yield Listening("closed")
    yield Listening("paused")
    yield Listening("open")
    for group in dict.fromkeys(one.group for one in plan.positions):
        position = next(one.id for one in plan.positions if one.group == group)
        for one in plan.characteristics_at(position):
            yield Listening("open", position, (one.id,))
            yield Listening("answer", position, (one.id,))
    first = plan.positions[0].id
    for gauge in plan.gauges:
        asked = (plan.characteristics_at(first)[0].id,)
        yield Listening("open", first, asked, (gauge.unit, gauge.decimals))


OWN_PLANS = {"inch plan": INCH_PLAN, "metric plan": METRIC_PLAN}
PLAN_NAMES: tuple[str, ...] = (
    *OWN_PLANS,
    *(str(path.relative_to(REPOSITORY)) for path in sorted((REPOSITORY / "capture" / "plans").glob("*.toml"))),
    "demo_audio/plan.toml",
)
"""The plans of these tests and every plan that the repository ships."""


@lru_cache(maxsize=32)
def real_plan(name: str) -> InspectionPlan:
    """Return one of the plans that `PLAN_NAMES` names."""
    text = OWN_PLANS.get(name) or (REPOSITORY / name).read_text(encoding="utf-8")
    return load(text, name=name)


def distinct_grammars(name: str) -> list[Grammar]:
    """Return a grammar of a plan for each state that is heard with another automaton or prompt."""
    plan = real_plan(name)
    grammars = [Grammar.build(plan, listening) for listening in all_listening(plan)]
    return list({grammar.key: grammar for grammar in grammars}.values())


def one_part_plan(unit: str, decimals: int, signed: bool, unit_system: str) -> InspectionPlan:
    """Return a plan with one part, "shim pack", and one thing to measure, "size"."""
    return InspectionPlan(
        id="one-part",
        title="One part",
        machine="unit 2",
        unit_system=unit_system,
        text="",
        revision=f"{unit}-{decimals}-{signed}-{unit_system}",
        cautions=(),
        positions=(Position("shim-pack", "shim-pack", None, "shim pack"),),
        group_spoken=(("shim-pack", "shim pack"),),
        characteristics=(Characteristic("size", "Size", "size", ("shim-pack",), unit, decimals, signed, None, None),),
        derived=(),
        findings=(),
    )


def follow(automaton: Automaton, choices: list[int]) -> tuple[str, ...]:
    """Return an accepted word string: choose arcs as the numbers say, then take a shortest way to an end."""
    ends = ways_to_an_end(automaton)
    state, words = 0, []
    for choice in choices:
        row = sorted(automaton.arcs[state].items())
        if not row:
            break
        word, state = row[choice % len(row)]
        words.append(word)
    while state not in automaton.finals:
        word = ends[state]
        words.append(word)
        state = automaton.arcs[state][word]
    return tuple(words)


@lru_cache(maxsize=64)
def ways_to_an_end(automaton: Automaton) -> dict[int, str]:
    """Return for each state that is no end the next word of a shortest way to one."""
    back: dict[int, list[tuple[int, str]]] = {}
    for state, row in enumerate(automaton.arcs):
        for word, to in sorted(row.items()):
            back.setdefault(to, []).append((state, word))
    way: dict[int, str] = {}
    todo = sorted(automaton.finals)
    for at in todo:  # grows while it is read
        for before, word in back.get(at, ()):
            if before not in way and before not in automaton.finals:
                way[before] = word
                todo.append(before)
    return way


def ways_from_the_start(automaton: Automaton) -> dict[int, tuple[str, ...]]:
    """Return for each state the words of a shortest way to it."""
    way: dict[int, tuple[str, ...]] = {0: ()}
    todo = [0]
    for at in todo:  # grows while it is read
        for word, to in sorted(automaton.arcs[at].items()):
            if to not in way:
                way[to] = (*way[at], word)
                todo.append(to)
    return way


@pytest.fixture(scope="session")
def inch_plan() -> InspectionPlan:
    return real_plan("inch plan")


@pytest.fixture(scope="session")
def metric_plan() -> InspectionPlan:
    return real_plan("metric plan")


@pytest.fixture(scope="session")
def shoe_grammar(inch_plan: InspectionPlan) -> Grammar:
    """The bench has shoe three in hand and has asked for its thickness."""
    return Grammar.build(inch_plan, Listening("open", "outboard-shoe-3", ("shoe-thickness",)))
