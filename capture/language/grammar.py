"""What may be said now, as one object: the automaton that engines are held to and the meaning of its word strings.

Built from what `SpokenPlan` holds of a plan and from `Listening`; it never sees a nominal, a limit, a plausible
value or an earlier reading.
"""

from __future__ import annotations

import hashlib
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

from capture.domain.plan import InspectionPlan
from capture.domain.units import Quantity
from capture.language import pauses, values
from capture.language.automaton import (
    Automaton,
    Expr,
    Outputs,
    Transducer,
    alt,
    compile_transducer,
    emit,
    opt,
    phrase,
    seq,
    word,
)
from capture.language.diagnosis import diagnose
from capture.language.meaning import (
    Listening,
    Meaning,
    NotUnderstood,
    SpokenCommand,
    SpokenFinding,
    SpokenGaugeCheck,
    SpokenInterval,
    SpokenPosition,
    SpokenReading,
    SpokenStage,
    SpokenTemperature,
)
from capture.language.numbers import ValueForms, feeler_call, value, value_call
from capture.language.prompt import sample_prompt
from capture.language.vocabulary import (
    BEGIN,
    BESIDES,
    COMMAND_ALSO,
    COMMANDS,
    COMMANDS_BY_MODE,
    CORRECTION,
    DIGITS,
    GAUGE_COMMANDS,
    READS,
    STANDARD,
    TEMPERATURE,
    TEMPERATURES,
    ZERO_CHECK,
    SpokenCharacteristic,
    SpokenPlan,
    normalise,
    spoken_plan,
)

_NO_PLAN = SpokenPlan("inch", (), (), ())
_WHICH = "?"
"""Put out for the characteristic of a value called at a position with several, without saying which."""


@dataclass(frozen=True, slots=True)
class _Scope:
    """All that the accepted word strings depend on, besides the plan.

    `mode`; `group`: of the position in hand, None without one; `asked`: the characteristic that may be left out.
    Which position of the group it is plays no part, so a row of parts is heard with one automaton. `gauge`: unit and
    decimals of the gauge in hand. `stage`: of the overhaul, where the plan has several.
    """

    mode: str
    group: str | None
    asked: str | None
    gauge: tuple[str, int] | None = None
    stage: str = "measure"


@dataclass(frozen=True, slots=True, eq=False)
class _Language:
    """A compiled scope, shared by all grammars that listen alike."""

    transducer: Transducer
    automaton: Automaton
    prompt: str
    key: str


class Grammar:
    """What may be said in one state of the session, and what it means.

    >>> grammar = Grammar.build(None, Listening("paused"))
    >>> grammar.interpret(["carry", "on"])
    SpokenCommand(command='carry on')
    """

    def __init__(self, plan: SpokenPlan, listening: Listening, language: _Language) -> None:
        self._plan = plan
        self._language = language
        self.listening = listening

    @staticmethod
    def build(plan: InspectionPlan | None, listening: Listening) -> Grammar:
        """Return the grammar of a state; kept, so that asking again costs nothing.

        Args:
            plan: None when no job is open; then only control words are heard.

        Raises:
            ValueError: the mode is none of `vocabulary.MODES`.
        """
        if listening.mode not in COMMANDS_BY_MODE:
            known = ", ".join(COMMANDS_BY_MODE)
            raise ValueError(f"Listening mode {listening.mode!r} is not known; use one of {known}")
        return _grammar(spoken_plan(plan) if plan is not None else _NO_PLAN, listening)

    @property
    def key(self) -> str:
        """Digest of automaton and prompt; equal keys hear alike."""
        return self._language.key

    @property
    def automaton(self) -> Automaton:
        """All word strings that may be accepted, those to be asked again included."""
        return self._language.automaton

    @property
    def transducer(self) -> Transducer:
        """The words with their meaning; `automaton` is its word side."""
        return self._language.transducer

    @property
    def prompt(self) -> str:
        """Sample phrases with made-up values, in one run."""
        return self._language.prompt

    @cached_property
    def _known(self) -> frozenset[str]:
        texts = [*COMMANDS, *COMMAND_ALSO, CORRECTION, *BESIDES, *self._plan.stages]
        texts += [words for _, _, words in self._plan.positions]
        texts += [one.spoken for one in self._plan.characteristics]
        texts += [each for _, words, severities in self._plan.findings for each in (words, *severities)]
        return frozenset(each for text in texts for each in text.split())

    def interpret(self, words: Sequence[str]) -> Meaning:
        """Return what the words mean; anything not wholly accepted is NotUnderstood with its reason. Never raises."""
        said = normalise(words)
        outputs = self._language.transducer.outputs(said)
        if not outputs:
            offered = "answer" if self.listening.mode == "answer" else "call"
            return diagnose(said, self.automaton, offered=offered, known=self._known)
        meanings = {self._meaning(each) for each in outputs}
        return meanings.pop() if len(meanings) == 1 else self._settled(meanings)

    def is_open_number(self, words: Sequence[str]) -> bool:
        """Say whether a call that pauses here is not complete: wait for the rest of it instead of ending it.

        True when the words begin a call that cannot end here ("outboard shoe", "shoe three one point"), or when the
        number said last has fewer digits after the point than the gauge shows, or neither point nor unit ("shoe three
        one point two", "shoe three one"). False when the call is complete, is dropped, has too many digits, or does
        not belong to the grammar. Pure and cheap; what is heard in the end still goes through `interpret`.

        Args:
            words: what was heard so far, as an engine gives it; need not be accepted.

        >>> Grammar.build(None, Listening("paused")).is_open_number(["carry"])
        True
        """
        said = normalise(words)
        state = self.automaton.walk(said) if said else None
        if state is None:
            return False
        if state not in self.automaton.finals:
            return True
        return any(self._lacks_more(each) for each in self._language.transducer.outputs(said))

    def _lacks_more(self, symbols: Outputs) -> bool:
        number = pauses.number_of(symbols)
        if number is None:
            return False
        named = next((each.partition("=")[2] for each in symbols if each.startswith("characteristic=")), self._asked)
        one = self._plan.characteristic(named or "")
        unit, decimals = self.listening.gauge or ("in", None)
        if any(each.startswith("value=") or each.startswith("interval=") for each in symbols):
            unit, decimals = (one.unit, one.decimals) if one is not None else (unit, None)
        elif any(each.startswith("temperature=") for each in symbols):
            unit, decimals = _degrees(self._plan), None
        return pauses.lacks_more(number, values.ValueRule(unit, decimals, signed=True))

    def meaning_key(self, words: tuple[str, ...]) -> Hashable:
        """Return a value equal for word strings of one meaning; all that is asked for one reason is one meaning."""
        meaning = self.interpret(words)
        match meaning:
            case NotUnderstood(reason=reason):
                return ("asked", reason)
            case SpokenReading(position, characteristic, quantity, is_correction):
                where = position or self.listening.position
                what = characteristic or self._asked
                return ("reading", where, what, quantity.text, quantity.unit, is_correction)
            case SpokenInterval(position, characteristic, goes, does_not, is_correction):
                where, what = position or self.listening.position, characteristic or self._asked
                return ("interval", where, what, goes, does_not, is_correction)
            case SpokenGaugeCheck(standard, shown):
                return ("gauge check", standard, shown)
            case SpokenTemperature(of, quantity):
                return ("temperature", of, quantity)
            case SpokenFinding(position, finding, severity):
                return ("finding", position or self.listening.position, finding, severity)
            case SpokenStage(stage):
                return ("stage", stage)
            case SpokenPosition(position, characteristic):
                return ("position", position, characteristic)
            case SpokenCommand(command):
                return ("command", command)

    @property
    def _asked(self) -> str | None:
        asked = self.listening.characteristics
        return asked[0] if len(asked) == 1 else None

    def _settled(self, meanings: set[Meaning]) -> Meaning:
        """Return what several meanings come to: a part named alone (nothing is stored by it), else a question."""
        sound = [each for each in meanings if not isinstance(each, NotUnderstood)]
        if len(sound) == 1 and isinstance(sound[0], SpokenPosition):
            return sound[0]
        for each in sorted(sound, key=repr):
            one = self._plan.characteristic(each.characteristic or "") if isinstance(each, SpokenReading) else None
            if one is not None and one.spoken:
                return NotUnderstood("two meanings", f"say {one.spoken} between the part and the value")
        return NotUnderstood("two meanings", "that can be taken two ways")

    # --- symbols to meaning

    def _meaning(self, symbols: Outputs) -> Meaning:
        position: str | None = None
        characteristic: str | None = None
        finding: str | None = None
        severity: str | None = None
        is_correction = False
        rest: tuple[str, ...] = ()
        for at, symbol in enumerate(symbols):
            kind, _, name = symbol.partition("=")
            if kind == "command":
                return SpokenCommand(name)
            if kind == "stage":
                return SpokenStage(name)
            if kind == "position":
                position = name
            elif kind == "characteristic":
                characteristic = name
            elif kind == "finding":
                finding = name
            elif kind == "severity":
                severity = name
            elif kind == "correction":
                is_correction = True
            elif kind == "value":
                rest = symbols[at + 1 :]
                break
            elif kind == "interval":
                return self._interval(position, characteristic, symbols[at + 1 :], is_correction)
            elif kind == "check":
                return self._gauge_check(symbols[at + 1 :])
            elif kind == "temperature":
                said = values.read(symbols[at + 1 :], values.ValueRule(_degrees(self._plan), None, signed=True))
                return said if isinstance(said, NotUnderstood) else SpokenTemperature(name, said)
        if finding is not None:
            return SpokenFinding(position, finding, severity)
        if not rest and position is not None:
            return SpokenPosition(position, characteristic)
        return self._reading(position, characteristic, rest, is_correction)

    def _reading(
        self, position: str | None, named: str | None, symbols: tuple[str, ...], is_correction: bool
    ) -> Meaning:
        where = position or self.listening.position
        measured = self._plan.at(where) if where is not None else ()
        if named == _WHICH:
            asked = self._asked if where == self.listening.position else None
            if asked is None:
                return NotUnderstood("two meanings", _which_of(measured))
            named = asked
        rule_of = self._plan.characteristic(named or self._asked or "")
        if rule_of is None:
            return NotUnderstood("not in the grammar", "say what was measured")
        if symbols[-1] == "X":
            return SpokenCommand("disregard")
        quantity = _last_said(symbols, values.ValueRule(rule_of.unit, rule_of.decimals, rule_of.signed))
        if isinstance(quantity, NotUnderstood):
            return quantity
        return SpokenReading(position, named, quantity, is_correction)

    def _interval(
        self, position: str | None, named: str | None, symbols: tuple[str, ...], is_correction: bool
    ) -> Meaning:
        one = self._plan.characteristic(named or self._asked or "")
        if one is None:
            return NotUnderstood("not in the grammar", "say what was measured")
        ends: dict[str, Quantity] = {}
        said: list[str] = []
        for symbol in symbols:
            if symbol not in ("G", "N"):
                said.append(symbol)
                continue
            read = values.read(said, values.ValueRule(one.unit, one.decimals, signed=False))
            if isinstance(read, NotUnderstood):
                return read
            ends[symbol], said = read, []
        return SpokenInterval(position, named, ends.get("G"), ends.get("N"), is_correction)

    def _gauge_check(self, symbols: tuple[str, ...]) -> Meaning:
        assert self.listening.gauge is not None  # nothing else puts the symbol out
        unit, decimals = self.listening.gauge
        if symbols == ("0",):  # a run of zeros is heard badly, and nothing else is meant by this one
            return SpokenGaugeCheck(None, Quantity("0", unit))
        standard: Quantity | NotUnderstood | None = None
        if "R" in symbols:
            at = symbols.index("R")
            standard = values.read(symbols[:at], values.ValueRule(unit, None, signed=True))
            symbols = symbols[at + 1 :]
        shown = values.read(symbols, values.ValueRule(unit, decimals, signed=True))
        if isinstance(standard, NotUnderstood):
            return standard
        return shown if isinstance(shown, NotUnderstood) else SpokenGaugeCheck(standard, shown)


def _which_of(measured: Iterable[SpokenCharacteristic]) -> str:
    return f"{' or '.join(one.spoken for one in measured)}, say which"


def _last_said(symbols: tuple[str, ...], rule: values.ValueRule) -> Quantity | NotUnderstood:
    """Return the value that stands at the end of a call in which values were put right or said again."""
    kept: Quantity | NotUnderstood | None = None
    said: list[str] = []
    joint = ""
    for symbol in (*symbols, "K"):
        if symbol not in ("K", "A"):
            said.append(symbol)
            continue
        read = values.read(said, rule)
        if joint == "A" and read != kept:
            return NotUnderstood("two meanings", "two different values, say one")
        kept, said, joint = read, [], symbol
    assert kept is not None  # the loop ran: every value puts symbols out
    return kept


@lru_cache(maxsize=512)
def _grammar(plan: SpokenPlan, listening: Listening) -> Grammar:
    plan = plan.with_decimals(listening.decimals)
    asked = listening.characteristics[0] if len(listening.characteristics) == 1 else None
    group = plan.group_of(listening.position) if listening.position is not None else None
    if group is None or plan.characteristic(asked or "") is None:
        asked = None
    gauge = listening.gauge if listening.mode == "open" else None
    stage = listening.stage if listening.mode == "open" and plan.stages else "measure"
    scope = _Scope(listening.mode, group, asked, gauge, stage)
    return Grammar(plan, listening, _language(plan, scope))


@lru_cache(maxsize=128)
def _language(plan: SpokenPlan, scope: _Scope) -> _Language:
    transducer = compile_transducer(_calls(plan, scope))
    automaton = transducer.automaton
    prompt = sample_prompt(plan, scope.mode, scope.gauge)
    key = hashlib.sha256(f"{automaton.digest}\n{prompt}".encode()).hexdigest()
    return _Language(transducer, automaton, prompt, key)


# --- the language of calls


def _calls(plan: SpokenPlan, scope: _Scope) -> Expr:
    commands = [phrase(name, f"command={name}") for name in COMMANDS_BY_MODE[scope.mode]]
    if scope.mode == "answer":
        commands += [word(each, f"command={name}") for each, name in COMMAND_ALSO.items()]
    if scope.mode not in ("open", "answer") or not plan.positions:
        return alt(*commands)
    calls = _reading_calls(plan, scope)
    if scope.mode == "open":
        calls += [_position_calls(plan), _finding_calls(plan, scope)]
        calls += _feeler_calls(plan, scope)
        calls += _gauge_calls(plan, scope.gauge) if scope.gauge is not None else []
        calls += _temperature_calls(plan) if plan.takes_temperatures else []
        calls += [seq(word(BEGIN), phrase(one, f"stage={one}")) for one in plan.stages]
    return alt(*commands, *calls)


def _name(text: str, *out: str) -> Expr:
    """Return a name of the plan; its digits may be said the radio way."""
    plain = {names[0]: digit_at for digit_at, names in enumerate(DIGITS) if digit_at}
    parts = [alt(*[word(each) for each in DIGITS[plain[w]]]) if w in plain else word(w) for w in text.split()]
    return seq(*parts, emit(*out)) if parts else emit(*out)


def _positions_of(plan: SpokenPlan, groups: Iterable[str]) -> Expr:
    wanted = frozenset(groups)
    return alt(*[_name(words, f"position={one}") for one, group, words in plan.positions if group in wanted])


def _forms(plan: SpokenPlan, characteristic: SpokenCharacteristic) -> ValueForms:
    return ValueForms(characteristic.unit, plan.unit_system, decimals=characteristic.decimals)


def _reading_calls(plan: SpokenPlan, scope: _Scope) -> list[Expr]:
    """Return all calls with a value; heads whose values are said alike share one language of values."""
    heads: dict[ValueForms, list[Expr]] = {}
    by_measured: dict[tuple[SpokenCharacteristic, ...], list[str]] = {}
    for group in dict.fromkeys(group for _, group, _ in plan.positions):
        by_measured.setdefault(plan.at_group(group), []).append(group)
    for measured, groups in by_measured.items():
        position = _positions_of(plan, groups)
        for one in measured:
            names = [phrase(one.spoken, f"characteristic={one.id}")] if one.spoken else []
            if len(measured) == 1:
                names.append(emit(f"characteristic={one.id}"))
            heads.setdefault(_forms(plan, one), []).append(seq(position, alt(*names)))
        if len(measured) > 1:
            for forms in dict.fromkeys(_forms(plan, one) for one in measured):
                heads[forms].append(seq(position, emit(f"characteristic={_WHICH}")))
    if scope.mode == "open":
        for one in plan.at_group(scope.group) if scope.group is not None else ():
            if one.spoken:
                heads[_forms(plan, one)].append(phrase(one.spoken, f"characteristic={one.id}"))
    asked = plan.characteristic(scope.asked or "")
    said: list[Expr] = []
    for forms, several in heads.items():
        said.append(seq(alt(*several), emit("value="), value_call(forms)))
        put_right = [seq(word(CORRECTION, "correction="), alt(*several))]
        if asked is not None and _forms(plan, asked) == forms:
            put_right += _without_part(scope.mode)
        said.append(seq(alt(*put_right), emit("value="), value_call(forms, is_correction=True)))
    if asked is not None and scope.mode == "open":
        said.append(seq(emit("value="), value_call(_forms(plan, asked), alone=True)))
    return said


def _without_part(mode: str) -> list[Expr]:
    """Return what is said before a value without part, for the one that was asked for or read back."""
    changed = [word(CORRECTION, "correction=")]
    return changed if mode == "open" else [*changed, word("negative", "correction=")]


def _feeler_calls(plan: SpokenPlan, scope: _Scope) -> list[Expr]:
    """Return what goes and what does not, for what is measured directly."""
    calls: list[Expr] = []
    for one in plan.characteristics:
        if not one.by_feeler:
            continue
        name = phrase(one.spoken, f"characteristic={one.id}") if one.spoken else alt()
        starts: list[Expr] = [name] if scope.group in one.groups else []
        for group in one.groups:
            alone = [emit(f"characteristic={one.id}")] if len(plan.at_group(group)) == 1 else []
            starts.append(seq(_positions_of(plan, (group,)), alt(name, *alone)))
        if scope.asked == one.id:
            starts.append(emit())
        mark = opt(word(CORRECTION, "correction="))
        calls.append(seq(mark, alt(*starts), emit("interval="), feeler_call(_forms(plan, one))))
    return calls


def _gauge_calls(plan: SpokenPlan, gauge: tuple[str, int]) -> list[Expr]:
    """Return what may be said of the gauge in hand: its check on zero or a standard, that it fell, that it is bad."""
    unit, decimals = gauge
    shown = value(ValueForms(unit, plan.unit_system, decimals=decimals))
    return [
        *[phrase(name, f"command={name}") for name in GAUGE_COMMANDS],
        seq(phrase(ZERO_CHECK, "check="), shown),
        seq(word(STANDARD, "check="), shown, word(READS, "R"), shown),
    ]


def _degrees(plan: SpokenPlan) -> str:
    """Return what "degrees" alone means in a shop of the plan's units; the readback says it in full."""
    return "degF" if plan.unit_system == "inch" else "degC"


def _temperature_calls(plan: SpokenPlan) -> list[Expr]:
    heat = value(ValueForms(_degrees(plan), plan.unit_system, decimals=1))
    return [seq(word(of), word(TEMPERATURE, f"temperature={of}"), heat) for of in TEMPERATURES]


def _position_calls(plan: SpokenPlan) -> Expr:
    calls: list[Expr] = []
    for group in dict.fromkeys(group for _, group, _ in plan.positions):
        words = [phrase(one.spoken, f"characteristic={one.id}") for one in plan.at_group(group) if one.spoken]
        calls.append(seq(_positions_of(plan, (group,)), opt(alt(*words)) if words else emit()))
    return alt(*calls)


def _finding_calls(plan: SpokenPlan, scope: _Scope) -> Expr:
    kinds: list[Expr] = []
    for one, words, severities in plan.findings:
        found = phrase(words, f"finding={one}")
        severity = alt(*[phrase(each, f"severity={each}") for each in severities])
        kinds += [seq(found, opt(severity)), seq(severity, found)] if severities else [found]
    if not kinds:
        return alt()
    position = _positions_of(plan, (group for _, group, _ in plan.positions))
    if scope.group is not None:
        position = opt(position)
    return seq(position, alt(*kinds))
