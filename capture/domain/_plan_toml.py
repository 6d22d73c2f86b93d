"""From the text of a plan to an `InspectionPlan`, strictly."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

from capture.domain._plan_kinds import LIMIT_GAUGES, check_limit_gauge, read_yes_no
from capture.domain._plan_limits import read_decision, read_expansion, read_gauge, read_limits, read_repeats
from capture.domain._plan_parts import (
    check_doubt,
    check_plurals,
    read_cleaning,
    read_looks,
    read_mark,
    read_part_group,
    read_rule,
)
from capture.domain._plan_words import check_name, check_words
from capture.domain._tables import Source, Table
from capture.domain.decision import GUARD_BAND, DecisionRule
from capture.domain.derived import HOT_CLEARANCE, LIST_RULES, PAIR_RULES, RULES, SET_SPREAD
from capture.domain.errors import DomainError
from capture.domain.form import SENSES
from capture.domain.gauges import USUAL_RATIO, WORST_RATIO, Gauge
from capture.domain.groups import PartGroup
from capture.domain.plan import (
    STANDINGS,
    Characteristic,
    Derived,
    Example,
    FindingKind,
    InspectionPlan,
    Limits,
    Position,
    revision_of,
)
from capture.domain.spoken import LARGEST_COUNT, count_words
from capture.domain.stages import MEASURE_ONLY, STAGES
from capture.domain.thermal import COEFFICIENTS
from capture.domain.units import Quantity, factor
from capture.domain.verdicts import KINDS as VERDICT_KINDS

SCHEMA = 1
UNIT_SYSTEMS = ("inch", "metric")
MOST_DECIMALS = 6


def read_plan(text: str, name: str) -> InspectionPlan:
    """Read a plan text; PlanError for the first thing that is wrong."""
    source = Source(text, name)
    top = Table(source, source.data, "plan file", "")
    top.whole("schema", SCHEMA, SCHEMA)
    plan = _named(top.table("plan", needed=True), "plan")
    plan_id, title, machine = plan.id(), plan.text("title"), plan.text("machine")
    unit_system = plan.choice("unit_system", UNIT_SYSTEMS)
    plan.done()
    cautions = tuple(_caution(table) for table in top.tables("caution"))
    groups = top.tables("group", needed=True)
    positions, part_groups = _positions(groups)
    group_spoken = tuple((one.id, one.spoken) for one in part_groups)
    mark_tables, cleaning_tables = top.tables("mark"), top.tables("cleaning")
    marks, cleanings = tuple(map(read_mark, mark_tables)), tuple(map(read_cleaning, cleaning_tables))
    _no_doubles(mark_tables, [one.id for one in marks])
    _no_doubles(cleaning_tables, [one.id for one in cleanings])
    _no_doubles(mark_tables, [one.spoken for one in marks], key="spoken")
    _no_doubles(cleaning_tables, [one.spoken for one in cleanings], key="spoken")
    group_ids = tuple(group for group, _ in group_spoken)
    characteristic_tables = top.tables("characteristic", needed=True)
    gauge_tables = top.tables("gauge")
    gauges = tuple(read_gauge(table) for table in gauge_tables)
    _no_doubles(gauge_tables, [one.id for one in gauges])
    ratio = _ratio(top.table("gauging"))
    characteristics = tuple(_characteristic(table, group_ids, gauges) for table in characteristic_tables)
    _no_doubles(characteristic_tables, [one.id for one in characteristics])
    derived_tables = top.tables("derived")
    derived = tuple(_derived(table, characteristics, group_ids) for table in derived_tables)
    _no_doubles(derived_tables, [one.id for one in derived], taken=[one.id for one in characteristics])
    for table, one in zip(characteristic_tables, characteristics, strict=True):
        _check_per(table, one.limits, one.groups, characteristics)
    for table, two in zip(derived_tables, derived, strict=True):
        _check_per(table, two.limits, two.groups, characteristics)
    decision = read_decision(top.table("decision")) or DecisionRule()
    _check_beside(characteristic_tables, characteristics, derived)
    _check_guard_bands(characteristic_tables, characteristics, derived_tables, derived, decision)
    example_tables = top.tables("example")
    examples = tuple(_example(table, characteristics, derived) for table in example_tables)
    stages = _stages(top.table("overhaul"))
    _no_doubles(example_tables, [one.id for one in examples])
    finding_tables = top.tables("finding")
    findings = tuple(_finding(table) for table in finding_tables)
    _no_doubles(finding_tables, [one.id for one in findings])
    rules = tuple(read_rule(table, findings) for table in top.tables("consequence"))
    top.done()
    check_words(groups, group_spoken, positions, characteristic_tables, characteristics, finding_tables, findings)
    check_plurals(groups, part_groups, [one.spoken for one in positions])
    return InspectionPlan(
        id=plan_id,
        title=title,
        machine=machine,
        unit_system=unit_system,
        text=text,
        revision=revision_of(text),
        cautions=cautions,
        positions=positions,
        group_spoken=group_spoken,
        characteristics=characteristics,
        derived=derived,
        findings=findings,
        decision=decision,
        gauges=gauges,
        gauge_ratio=ratio,
        examples=examples,
        stages=stages,
        part_groups=part_groups,
        marks=marks,
        cleanings=cleanings,
        rules=rules,
    )


def _stages(table: Table | None) -> tuple[str, ...]:
    """Read which stages of an overhaul the plan has."""
    if table is None:
        return MEASURE_ONLY
    _named(table, "overhaul")
    stages = table.texts("stages")
    table.done()
    for stage in stages:
        if stage not in STAGES:
            remedy = f"use some of {', '.join(STAGES)}"
            raise table.error("stages", f"has stage {stage!r}", value=stage, remedy=remedy)
    if list(stages) != sorted(stages, key=STAGES.index):
        message = f"has stages out of order: {', '.join(stages)}"
        raise table.error("stages", message, value=stages[0], remedy=f"keep the order {', '.join(STAGES)}")
    return stages


def _named(table: Table | None, section: str) -> Table:
    assert table is not None
    table.section, table.outer_key, table.place = section, None, section
    return table


def _caution(table: Table) -> str:
    text = table.text("text")
    table.done()
    return text


def _positions(tables: Iterable[Table]) -> tuple[tuple[Position, ...], tuple[PartGroup, ...]]:
    """Read the groups; a group without a count is one position without a number."""
    positions: list[Position] = []
    groups: list[PartGroup] = []
    for table in tables:
        group, spoken = table.id(), table.words("spoken")
        check_name(table, spoken)
        if group in [known.id for known in groups]:
            raise table.error("id", f"has id = {group!r}, which another group has", value=group, remedy="rename one")
        numbered = table.has("count")
        count = table.whole("count", 1, LARGEST_COUNT, default=1)
        groups.append(read_part_group(table, group, spoken))
        table.done()
        for number in range(1, count + 1):
            one = (
                Position(f"{group}-{number}", group, number, f"{spoken} {count_words(number)}")
                if numbered
                else Position(group, group, None, spoken)
            )
            if one.id in [known.id for known in positions]:
                message = f"makes position {one.id!r}, which another group makes"
                raise table.error("id", message, value=one.id, remedy="rename the group")
            positions.append(one)
    return tuple(positions), tuple(groups)


def _groups(table: Table, group_ids: tuple[str, ...]) -> tuple[str, ...]:
    named = table.texts("groups")
    for group in named:
        if group not in group_ids:
            message = f"names group {group!r}, which the plan does not have"
            raise table.error("groups", message, value=group, remedy=f"use one of {', '.join(group_ids)}")
    return named


def _characteristic(table: Table, group_ids: tuple[str, ...], gauges: tuple[Gauge, ...]) -> Characteristic:
    one_id, title = table.id(), table.text("title")
    spoken = table.words("spoken", "")
    if spoken:
        check_name(table, spoken)
    groups = _groups(table, group_ids)
    unit = table.unit()
    counted = table.flag("counted", False)
    gauge = table.text("gauge", "") or None
    decimals = table.whole("decimals", 0, 0 if counted else MOST_DECIMALS)
    if gauge is not None:
        _check_gauge(table, gauge, gauges, unit, decimals)
    one = Characteristic(
        id=one_id,
        title=title,
        spoken=spoken,
        groups=groups,
        unit=unit,
        decimals=decimals,
        signed=table.flag("signed", False),
        limits=read_limits(table.table("limits"), unit),
        plausible=_plausible(table.table("plausible"), unit),
        gauge=gauge,
        repeats=read_repeats(table.table("repeats")),
        decision=read_decision(table.table("decision")),
        expansion=read_expansion(table.table("temperature")),
        counted=counted,
        beside=table.text("beside", ""),
        as_left=table.flag("as_left", False),
        limit_gauge=table.choice("limit_gauge", LIMIT_GAUGES, "") if table.has("limit_gauge") else "",
        yes_no=read_yes_no(table.table("yes_no"), counted=counted),
    )
    table.done()
    check_limit_gauge(table, one)
    return one


def _check_gauge(table: Table, gauge: str, gauges: tuple[Gauge, ...], unit: str, decimals: int) -> None:
    named = next((one for one in gauges if one.id == gauge), None)
    if named is None:
        known = ", ".join(one.id for one in gauges) or "none yet; add [[gauge]]"
        raise table.error(
            "gauge", f"names gauge {gauge!r}, which the plan does not have", value=gauge, remedy=f"use one of {known}"
        )
    if named.unit != unit:
        message = f"names gauge {gauge!r}, which reads {named.unit!r}, for a characteristic in {unit!r}"
        raise table.error("gauge", message, value=named.unit, remedy="give the gauge in that unit mode")
    if named.decimals != decimals:
        message = f"has decimals = {decimals}, but gauge {gauge!r} shows {named.decimals}"
        raise table.error("decimals", message, value=str(decimals), remedy=f"write decimals = {named.decimals}")


def _plausible(table: Table | None, unit: str) -> tuple[Fraction, Fraction] | None:
    if table is None:
        return None
    lower, upper = table.fraction("lower", unit), table.fraction("upper", unit)
    table.done()
    if lower >= upper:
        raise table.error("lower", "has lower at or above upper", value=str(lower), remedy="swap them")
    return lower, upper


def _derived(table: Table, characteristics: tuple[Characteristic, ...], group_ids: tuple[str, ...]) -> Derived:
    one_id, title = table.id(), table.text("title")
    rule = table.choice("rule", RULES)
    groups = _groups(table, group_ids)
    unit = table.unit()
    inputs = _inputs(table, rule)
    for role, name in inputs:
        _check_partner(table, "inputs", f"{role} = {name!r}", name, unit, groups, characteristics)
    if len({name for _, name in inputs}) != len(inputs):
        raise table.error("inputs", "takes one characteristic twice", remedy="name the parts that differ")
    one = Derived(
        id=one_id,
        title=title,
        rule=rule,
        groups=groups,
        inputs=inputs,
        unit=unit,
        limits=read_limits(table.table("limits"), unit, is_fit=rule == "clearance"),
        constants=_constants(table, rule, unit),
        sense=table.choice("sense", SENSES) if rule in ("float", "shim change") else "",
        decision=read_decision(table.table("decision")),
    )
    table.done()
    return one


def _inputs(table: Table, rule: str) -> tuple[tuple[str, str], ...]:
    """Return role -> characteristic; lists are numbered from 1 ("readings 2", "plane 1 angle 2")."""
    roles = table.table("inputs", needed=True)
    assert roles is not None
    if rule in PAIR_RULES:
        inputs = tuple((role, roles.text(role)) for role in PAIR_RULES[rule])
    elif rule in LIST_RULES:
        lists = {role: roles.texts(role) for role in LIST_RULES[rule]}
        if len({len(names) for names in lists.values()}) != 1 or (
            rule in ("runout", "offset") and len(lists["readings"]) < 2
        ):
            raise table.error(
                "inputs", "has lists that do not pair", remedy="name as many bores as shafts, or two readings"
            )
        inputs = tuple((f"{role} {n}", name) for role, names in lists.items() for n, name in enumerate(names, 1))
    else:
        planes = roles.get("planes")
        is_grid = isinstance(planes, list) and planes and all(isinstance(p, list) and p for p in planes)
        if not is_grid or not all(isinstance(name, str) for plane in planes for name in plane):
            raise table.error(
                "inputs", "has no planes", remedy='write planes = [["top-a", "top-b"], ["end-a", "end-b"]]'
            )
        if len({len(plane) for plane in planes}) != 1 or len(planes[0]) * len(planes) < 2:
            raise table.error("inputs", "has planes of unlike length", remedy="name the same angles in every plane")
        inputs = tuple(
            (f"plane {p} angle {a}", name) for p, plane in enumerate(planes, 1) for a, name in enumerate(plane, 1)
        )
    roles.done()
    return inputs


def _constants(table: Table, rule: str, unit: str) -> tuple[tuple[str, Quantity], ...]:
    if rule == "shim change":
        target = table.number("target", unit)
        assert target is not None
        return (("target", target),)
    if rule != HOT_CLEARANCE:
        return ()
    heat = table.table("hot", needed=True)
    assert heat is not None
    found: list[tuple[str, Quantity]] = []
    scale = heat.choice("temperature_unit", ("degC", "degF"), "degC")
    for part in ("bore", "shaft"):
        material = heat.choice(f"{part}_material", tuple(COEFFICIENTS))
        degrees = heat.number(f"{part}_temperature", scale)
        assert degrees is not None
        found += [(f"{part}_alpha", Quantity(COEFFICIENTS[material][0], "1")), (f"{part}_temperature", degrees)]
    heat.done()
    return tuple(found)


def _check_partner(
    table: Table,
    key: str,
    what: str,
    name: str,
    unit: str,
    groups: tuple[str, ...],
    characteristics: tuple[Characteristic, ...],
) -> None:
    """Check that a named characteristic exists, has a unit of the same kind, and is measured where it is needed."""
    partner = next((one for one in characteristics if one.id == name), None)
    if partner is None:
        known = ", ".join(one.id for one in characteristics)
        message = f"names {what}, which the plan does not measure"
        raise table.error(key, message, value=name, remedy=f"use one of {known}")
    for group in groups:
        if group not in partner.groups:
            message = f"names {what}, which is not measured at group {group!r}"
            raise table.error(key, message, value=name, remedy=f"add {group!r} to the groups of {name!r}")
    try:
        factor(partner.unit, unit)
    except DomainError:
        message = f"names {what} in {partner.unit!r}, which does not convert to {unit!r}"
        raise table.error(key, message, value=partner.unit, remedy="give both units of one kind") from None


def _check_per(
    table: Table, limits: Limits | None, groups: tuple[str, ...], characteristics: tuple[Characteristic, ...]
) -> None:
    if limits is not None and limits.per is not None:
        what = f"per = {limits.per!r}"
        held = table.table("limits", needed=True)
        assert held is not None
        _check_partner(held, "per", what, limits.per, limits.unit, groups, characteristics)


def _ratio(table: Table | None) -> Fraction:
    if table is None:
        return USUAL_RATIO
    ratio = table.fraction("ratio")
    table.done()
    if ratio < WORST_RATIO:
        raise table.error("ratio", f"has ratio = {ratio}", value=str(ratio), remedy="it must be at least four")
    return ratio


def _check_beside(
    tables: tuple[Table, ...], characteristics: tuple[Characteristic, ...], derived: tuple[Derived, ...]
) -> None:
    known = {one.id: one for one in derived}
    for table, one in zip(tables, characteristics, strict=True):
        partner = known.get(one.beside)
        if one.beside and (partner is None or partner.unit != one.unit or not set(one.groups) <= set(partner.groups)):
            message = f"has beside = {one.beside!r}, which is not computed there in {one.unit!r}"
            raise table.error(
                "beside", message, value=one.beside, remedy="name a derived characteristic of its groups and unit"
            )


def _check_guard_bands(
    tables: tuple[Table, ...],
    characteristics: tuple[Characteristic, ...],
    derived_tables: tuple[Table, ...],
    derived: tuple[Derived, ...],
    decision: DecisionRule,
) -> None:
    """A guard band needs an uncertainty, so it needs a gauge at each reading it rests on."""
    remedy = 'add gauge = "..." , or decision = { rule = "simple acceptance" }'
    bare = {one.id for one in characteristics if one.gauge is None and not one.counted}
    for table, one in zip(tables, characteristics, strict=True):
        if one.limits and one.id in bare and (one.decision or decision).kind == GUARD_BAND:
            raise table.error("gauge", "is decided by guard band but names no gauge", remedy=remedy)
    for table, two in zip(derived_tables, derived, strict=True):
        without = [name for _, name in two.inputs if name in bare]
        guarded = two.limits and two.rule != HOT_CLEARANCE and (two.decision or decision).kind == GUARD_BAND
        if guarded and without:
            message = f"is decided by guard band but {without[0]!r} names no gauge"
            raise table.error("inputs", message, value=without[0], remedy=remedy)


def _example(table: Table, characteristics: tuple[Characteristic, ...], derived: tuple[Derived, ...]) -> Example:
    one_id, of = table.id(), table.text("of")
    units = {one.id: one.unit for one in characteristics}
    target = next((one for one in derived if one.id == of), None)
    if of not in units and target is None:
        raise table.error(
            "of", f"has of = {of!r}, which the plan does not have", value=of, remedy="name an id of the plan"
        )
    readings = table.table("readings", needed=True)
    assert readings is not None
    found: list[tuple[str, Quantity]] = []
    for key in readings.data:
        value = readings.get(key)
        name = target.inputs[0][1] if target and target.rule == SET_SPREAD else key
        if name not in units or key not in units or not isinstance(value, (str, list)):
            raise table.error("readings", f"has reading {key!r}", value=key, remedy="name a characteristic, give texts")
        found += [(key, _reading(table, text, units[name])) for text in (value if isinstance(value, list) else [value])]
    readings.done()
    one = Example(one_id, of, tuple(found), table.choice("verdict", VERDICT_KINDS), table.text("value", ""))
    table.done()
    return one


def _reading(table: Table, text: object, unit: str) -> Quantity:
    """Read "5.5108" in the characteristic's unit, or "139.97 mm" in another."""
    digits, _, other = str(text).partition(" ")
    try:
        return Quantity(digits, other or unit)
    except DomainError as error:
        raise table.error("readings", f"has reading {text!r}", value=str(text), remedy=error.remedy) from None


def _finding(table: Table) -> FindingKind:
    one_id, spoken = table.id(), table.words("spoken")
    check_name(table, spoken)
    severities = table.texts("severities", needed=False)
    for severity in severities:
        check_name(table, severity, "severities")
    extents, faces = read_looks(table)
    one = FindingKind(
        id=one_id,
        spoken=spoken,
        severities=severities,
        answer=table.text("answer", ""),
        source=table.text("source", "plan author"),
        standing=table.choice("standing", STANDINGS, "plan author"),
        extents=extents,
        faces=faces,
    )
    check_doubt(table, one)
    table.done()
    return one


def _no_doubles(tables: tuple[Table, ...], ids: list[str], taken: Iterable[str] = (), key: str = "id") -> None:
    seen = set(taken)
    for table, one in zip(tables, ids, strict=True):
        if one in seen:
            raise table.error(key, f"has {key} = {one!r}, which another has", value=one, remedy="rename one of them")
        seen.add(one)
