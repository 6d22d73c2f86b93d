"""Values computed from readings: which rule, from which readings, and the sum as a mechanic would write it.

Every rule but the hot clearance comes down to a sum of readings times +1, -1 or half, so its uncertainty and its
working follow from the same terms.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from capture.domain import form, thermal
from capture.domain.plan import Derived, Position
from capture.domain.units import Quantity, exact_text

SET_SPREAD = "set spread"
HOT_CLEARANCE = "hot clearance"
# rule -> roles of its inputs; "planes" and lists are given as lists of characteristics
PAIR_RULES: dict[str, tuple[str, ...]] = {
    "clearance": ("bore", "shaft"),
    "interference": ("bore", "shaft"),
    "difference": ("from", "less"),
    "end play": ("one_end", "other_end"),
    "float": ("travel", "shim"),
    "shim change": ("travel", "shim"),
    HOT_CLEARANCE: ("bore", "shaft"),
    SET_SPREAD: ("part",),
}
LIST_RULES: dict[str, tuple[str, ...]] = {
    "runout": ("readings",),
    "offset": ("readings",),
    "tightest clearance": ("bores", "shafts"),
    "loosest clearance": ("bores", "shafts"),
}
PLANE_RULES: tuple[str, ...] = ("out-of-round", "taper")
RULES: tuple[str, ...] = (*PAIR_RULES, *LIST_RULES, *PLANE_RULES)


@dataclass(frozen=True, slots=True)
class Term:
    """One reading in a sum, times `times`; `where` is said beside it when it is not plain which one it is."""

    times: Fraction
    source: str  # characteristic id, or position id for a set
    quantity: Quantity
    where: str = ""


@dataclass(frozen=True, slots=True)
class Computed:
    """A derived value: the terms it is the sum of, and all sources it was chosen from.

    `before` and `after` are said around the working. `constant` (target of a shim change) is taken off.
    `interval`: lower and upper value in the derived unit, for a hot clearance only.
    """

    derived: Derived
    terms: tuple[Term, ...]
    sources: tuple[str, ...]
    before: str = ""
    after: str = ""
    constant: Quantity | None = None
    interval: thermal.HotClearance | None = None

    def value(self, unit: str) -> Fraction:
        """Return the exact value in `unit`."""
        total = Fraction(0)
        for term in self.terms:
            size = term.quantity.to_fraction(unit)
            if term.times == 1:  # nearly always; a product of Fractions takes longer than all else here
                total += size
            elif term.times == -1:
                total -= size
            else:
                total += term.times * size
        return total - self.constant.to_fraction(unit) if self.constant else total

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """The readings in the sum, and its constant."""
        return tuple(term.quantity for term in self.terms) + ((self.constant,) if self.constant else ())

    @property
    def places(self) -> int:
        """Decimals to show at least."""
        return max(quantity.places for quantity in self.quantities)

    def working(self, unit: str) -> str:
        """Return the sum in one line, result and unit included."""
        value = exact_text(self.value(unit), self.places)
        sums = [self._sum(None)] if any(one.unit != unit for one in self.quantities) else []
        sums.append(self._sum(unit))
        text = " = ".join([*sums, f"{value} {unit}"])
        return f"{self.before}{text}{self.after}"

    def _sum(self, unit: str | None) -> str:
        """Write the terms in `unit`, or as they were read when None."""
        halves = all(abs(term.times) == Fraction(1, 2) for term in self.terms)
        parts = [
            (term.times, term.quantity, term.where if unit is None or self._is_plain(unit) else "")
            for term in self.terms
        ]
        parts += [(Fraction(-1), self.constant, "")] if self.constant else []
        text = ""
        for times, quantity, where in parts:
            if unit is None:
                number = str(quantity)
            elif quantity.unit == unit:
                number = quantity.text
            else:
                number = exact_text(quantity.to_fraction(unit), quantity.places)
            number = f"({number})" if number.startswith("-") and text else number
            number += f" {where}" if where else ""
            text += f" {'-' if times < 0 else '+'} {number}" if text else f"{'-' if times < 0 else ''}{number}"
        return f"({text}) / 2" if halves else text

    def _is_plain(self, unit: str) -> bool:
        return all(one.unit == unit for one in self.quantities)


def _two(a: Term, b: Term, derived: Derived, sources: Sequence[str], before: str = "") -> Computed:
    return Computed(derived, (a, b), tuple(sources), before=before)


def _read(derived: Derived, readings: Mapping[str, Quantity]) -> dict[str, tuple[str, Quantity]] | None:
    """Return role -> (characteristic, reading), None while one is missing."""
    if any(name not in readings for _, name in derived.inputs):
        return None
    return {role: (name, readings[name]) for role, name in derived.inputs}


def compute(derived: Derived, readings: Mapping[str, Quantity]) -> Computed | None:
    """Compute a value from the readings at one position; None while an input is missing.

    Rules: ISO 286-1 3.3 for clearance and interference; definitions in `capture.domain.form` for the others.
    """
    if derived.rule == SET_SPREAD:
        return None
    read = _read(derived, readings)
    if read is None:
        return None
    names = tuple(name for _, name in derived.inputs)
    if derived.rule in ("runout", "offset"):
        return _runout(derived, list(read.values()), names)
    if derived.rule in ("tightest clearance", "loosest clearance"):
        return _extreme_clearance(derived, read, names)
    if derived.rule in PLANE_RULES:
        return _form(derived, read, names)
    return _pair(derived, read, names)


def _pair(derived: Derived, read: dict[str, tuple[str, Quantity]], names: tuple[str, ...]) -> Computed:
    first, second = (read[role] for role in PAIR_RULES[derived.rule])
    plus, minus = Term(Fraction(1), *first), Term(Fraction(-1), *second)
    if derived.rule == "interference":
        return _two(replace(minus, times=Fraction(1)), replace(plus, times=Fraction(-1)), derived, names)
    if derived.rule == "end play":
        low, high = sorted((first, second), key=lambda one: one[1].to_fraction(derived.unit))
        return _two(Term(Fraction(1), *high), Term(Fraction(-1), *low), derived, names)
    if derived.rule == "float":
        sign = Fraction(-1 if derived.sense == form.LESS_FLOAT else 1)
        return _two(plus, replace(minus, times=sign), derived, names)
    if derived.rule == "shim change":
        return _shim_change(derived, first, second, names)
    made = _two(plus, minus, derived, names)
    return _hot(made, first[1], second[1]) if derived.rule == HOT_CLEARANCE else made


def _shim_change(
    derived: Derived, travel: tuple[str, Quantity], shim: tuple[str, Quantity], names: tuple[str, ...]
) -> Computed:
    """Positive: shims to add; the working says so, and how much shim there is then."""
    unit, target = derived.unit, dict(derived.constants)["target"]
    play = form.float_from_travel(travel[1].to_fraction(unit), shim[1].to_fraction(unit), derived.sense)
    change = form.shim_change(play, target.to_fraction(unit), shim[1].to_fraction(unit), derived.sense)
    new = exact_text(change.new_shim, shim[1].places)
    done = f", {change.action} shim, {new} {unit} then" if change.action != "none" else ", leave the shim"
    plus, minus = Term(Fraction(1), *travel), Term(Fraction(-1), *shim)
    if derived.sense == form.LESS_FLOAT:
        return Computed(derived, (plus, minus), names, after=done, constant=target)
    target_term = Term(Fraction(1), "target", target)
    return Computed(derived, (target_term, replace(plus, times=Fraction(-1)), minus), names, after=done)


def _hot(made: Computed, bore: Quantity, shaft: Quantity) -> Computed:
    given = dict(made.derived.constants)
    held = thermal.hot_clearance_interval(
        bore,
        given["bore_alpha"].fraction,
        given["bore_temperature"].to_fraction("degC"),
        shaft,
        given["shaft_alpha"].fraction,
        given["shaft_temperature"].to_fraction("degC"),
        made.derived.unit,
    )
    heat = f"bore at {given['bore_temperature']}, shaft at {given['shaft_temperature']}"
    after = f" cold; hot {held.text} with {heat}, coefficients within ten per cent"
    return replace(made, after=after, interval=held)


def _runout(derived: Derived, read: list[tuple[str, Quantity]], names: tuple[str, ...]) -> Computed:
    sizes = [quantity.to_fraction(derived.unit) for _, quantity in read]
    high, low = read[sizes.index(max(sizes))], read[sizes.index(min(sizes))]
    times = Fraction(1, 2) if derived.rule == "offset" else Fraction(1)
    return _two(Term(times, *high), Term(-times, *low), derived, names)


def _extreme_clearance(derived: Derived, read: dict[str, tuple[str, Quantity]], names: tuple[str, ...]) -> Computed:
    """Bores and shafts are paired in the order the plan lists them: same plane, same angle."""
    count = len(read) // 2
    pairs = [(read[f"bores {i + 1}"], read[f"shafts {i + 1}"]) for i in range(count)]
    sizes = [b[1].to_fraction(derived.unit) - s[1].to_fraction(derived.unit) for b, s in pairs]
    best = min(sizes) if derived.rule == "tightest clearance" else max(sizes)
    index = sizes.index(best)
    bore, shaft = pairs[index]
    return _two(Term(Fraction(1), *bore), Term(Fraction(-1), *shaft), derived, names, before=f"pair {index + 1}: ")


def _form(derived: Derived, read: dict[str, tuple[str, Quantity]], names: tuple[str, ...]) -> Computed:
    """Roles are "plane 1 angle 2"; the plane or the angle that is worst is named."""
    grid: dict[tuple[int, int], tuple[str, Quantity]] = {}
    for role, one in read.items():
        _, plane, _, angle = role.split(" ")
        grid[int(plane), int(angle)] = one
    axis = 0 if derived.rule == "out-of-round" else 1
    lines: dict[int, list[tuple[str, Quantity]]] = {}
    for place, one in sorted(grid.items()):
        lines.setdefault(place[axis], []).append(one)
    worst = max(lines, key=lambda line: _width(lines[line], derived.unit))
    sizes = [quantity.to_fraction(derived.unit) for _, quantity in lines[worst]]
    high, low = lines[worst][sizes.index(max(sizes))], lines[worst][sizes.index(min(sizes))]
    before = f"{'plane' if axis == 0 else 'angle'} {worst}: "
    return _two(Term(Fraction(1), *high), Term(Fraction(-1), *low), derived, names, before=before)


def _width(line: list[tuple[str, Quantity]], unit: str) -> Fraction:
    sizes = [quantity.to_fraction(unit) for _, quantity in line]
    return max(sizes) - min(sizes)


def compute_set(derived: Derived, positions: Sequence[Position], readings: Mapping[str, Quantity]) -> Computed | None:
    """Compute the spread over the positions of a group; None until each has its reading.

    `readings`: position id -> reading of the input characteristic. The part furthest out is named.
    """
    if derived.rule != SET_SPREAD or len(positions) < 2 or any(one.id not in readings for one in positions):
        return None
    quantities = [readings[one.id] for one in positions]
    found = form.spread([quantity.to_fraction(derived.unit) for quantity in quantities])
    terms = [
        Term(Fraction(sign), positions[index].id, quantities[index], f"at {positions[index].spoken}")
        for sign, index in ((1, found.largest), (-1, found.smallest))
    ]
    after = f", furthest out {positions[found.furthest].spoken}"
    return Computed(derived, tuple(terms), tuple(one.id for one in positions), after=after)
