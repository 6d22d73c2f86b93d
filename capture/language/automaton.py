"""Regular languages over words, with meaning attached: combinators, transducer, deterministic automaton.

A language is written once, as an `Expr`. `compile_transducer` turns it into a `Transducer`, which says what a
word string means (its output symbols); `Transducer.automaton` is the minimal deterministic automaton of exactly
the word strings that the transducer accepts, which drives the engines. There is no second description, so
what is accepted and what is understood cannot differ. `Transducer.ambiguities` decides whether every accepted
word string has one meaning.

Source: functionality by delays in the squared transducer: M.-P. Béal, O. Carton, C. Prieur, J. Sakarovitch,
"Squaring transducers", Theoretical Computer Science 292 (2003). Minimal automaton by partition refinement (Moore).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

Outputs = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Word:
    """One word, and the symbols it puts out."""

    text: str
    out: Outputs = ()


@dataclass(frozen=True, slots=True)
class Emit:
    """No word; symbols put out in passing."""

    out: Outputs


@dataclass(frozen=True, slots=True)
class Seq:
    """One part after another."""

    parts: tuple[Expr, ...]


@dataclass(frozen=True, slots=True)
class Alt:
    """One of several parts; none at all is the empty language."""

    parts: tuple[Expr, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Built:
    """A language that is compiled already; taken over state by state."""

    transducer: Transducer


Expr = Word | Emit | Seq | Alt | Built

NOTHING: Expr = Seq(())


def word(text: str, *out: str) -> Expr:
    """Return the language of one word.

    >>> sorted(compile_transducer(word("affirm", "yes")).outputs(["affirm"]))
    [('yes',)]
    """
    return Word(text, out)


def emit(*out: str) -> Expr:
    """Return the empty word string that puts symbols out."""
    return Emit(out)


def seq(*parts: Expr) -> Expr:
    """Return one part after another."""
    return parts[0] if len(parts) == 1 else Seq(parts)


def alt(*parts: Expr) -> Expr:
    """Return the union."""
    return parts[0] if len(parts) == 1 else Alt(parts)


def opt(part: Expr) -> Expr:
    """Return the part or nothing.

    >>> compile_transducer(seq(opt(word("a")), word("thou"))).automaton.accepts(["thou"])
    True
    """
    return Alt((NOTHING, part))


def repeat(part: Expr, low: int, high: int) -> Expr:
    """Return `low` to `high` of the part, nested so that no string is derived twice.

    >>> digits = compile_transducer(repeat(word("nine", "9"), 1, 2))
    >>> digits.outputs(["nine", "nine"]), digits.outputs(["nine"] * 3)
    (frozenset({('9', '9')}), frozenset())
    """
    more: Expr = NOTHING
    for _ in range(high - low):
        more = opt(seq(part, more))
    return seq(*[part] * low, more)


def built(part: Expr) -> Expr:
    """Compile a part now, so that using it many times costs little."""
    return Built(_merged(compile_transducer(part)))


def phrase(text: str, *out: str) -> Expr:
    """Return the words of a text in order; the symbols come after the last.

    >>> compile_transducer(phrase("say again", "again")).outputs(["say", "again"])
    frozenset({('again',)})
    """
    words = text.split()
    return seq(*[Word(each) for each in words], Emit(out)) if words else Emit(out)


@dataclass(frozen=True, eq=False)
class Automaton:
    """A minimal deterministic automaton over words; state 0 is the start.

    States are numbered breadth first in the order of the sorted words, so one language has one numbering.
    """

    arcs: tuple[Mapping[str, int], ...]
    finals: frozenset[int]

    @cached_property
    def words(self) -> tuple[str, ...]:
        """Every word that occurs, sorted."""
        return tuple(sorted({each for row in self.arcs for each in row}))

    @cached_property
    def digest(self) -> str:
        """SHA-256 of arcs and finals, hex; equal for equal languages."""
        rows = [sorted(row.items()) for row in self.arcs]
        text = json.dumps([rows, sorted(self.finals)], separators=(",", ":"), ensure_ascii=True)
        return hashlib.sha256(text.encode("ascii")).hexdigest()

    def walk(self, words: Iterable[str], state: int = 0) -> int | None:
        """Return the state after the words, None when no accepted string starts so."""
        for each in words:
            after = self.arcs[state].get(each)
            if after is None:
                return None
            state = after
        return state

    def accepts(self, words: Iterable[str]) -> bool:
        """Say whether the word string is in the language."""
        return self.walk(words) in self.finals


@dataclass(frozen=True, slots=True)
class Arc:
    """Read `word`, put `out` out, go to `to`."""

    word: str
    out: Outputs
    to: int


class _Builder:
    """Thompson's construction; arcs without a word may put symbols out."""

    def __init__(self) -> None:
        self.silent: list[list[tuple[Outputs, int]]] = []
        self.spoken: list[list[Arc]] = []

    def state(self) -> int:
        self.silent.append([])
        self.spoken.append([])
        return len(self.silent) - 1

    def add(self, expr: Expr, start: int) -> int:
        """Add the language after `start`; return the state in which it ends."""
        match expr:
            case Word(text, out):
                end = self.state()
                self.spoken[start].append(Arc(text, out, end))
            case Emit(out):
                end = self.state()
                self.silent[start].append((out, end))
            case Seq(parts):
                end = start
                for part in parts:
                    end = self.add(part, end)
            case Alt(parts):
                ends = [self.add(part, start) if part != NOTHING else start for part in parts]
                end = self.state()
                for each in ends:
                    self.silent[each].append(((), end))
            case Built(transducer):
                end = self.take_over(transducer, start)
        return end

    def take_over(self, transducer: Transducer, start: int) -> int:
        """Copy the states of a compiled language."""
        states = [self.state() for _ in transducer.arcs]
        self.silent[start].append(((), states[0]))
        for at, row in zip(states, transducer.arcs, strict=True):
            self.spoken[at] = [Arc(arc.word, arc.out, states[arc.to]) for arc in row]
        end = self.state()
        for at, outs in transducer.finals.items():
            self.silent[states[at]].extend((out, end) for out in sorted(outs))
        return end

    def reach(self, state: int) -> list[tuple[int, Outputs]]:
        """Return the states reached without a word, with the symbols put out on the way."""
        seen: set[tuple[int, Outputs]] = {(state, ())}
        todo: list[tuple[int, Outputs]] = [(state, ())]
        for at, out in todo:  # grows while it is read
            for more, to in self.silent[at]:
                step = (to, out + more)
                if step not in seen:
                    seen.add(step)
                    todo.append(step)
        return todo


@dataclass(frozen=True, eq=False)
class Transducer:
    """Words in, symbols out, one word an arc; state 0 is the start.

    `finals[state]`: the strings of symbols that ending there still puts out. Every state lies on a way
    from the start to an end.
    """

    arcs: tuple[tuple[Arc, ...], ...]
    finals: Mapping[int, frozenset[Outputs]]

    @cached_property
    def _by_word(self) -> tuple[Mapping[str, tuple[Arc, ...]], ...]:
        rows: list[Mapping[str, tuple[Arc, ...]]] = []
        for row in self.arcs:
            found: dict[str, list[Arc]] = {}
            for arc in row:
                found.setdefault(arc.word, []).append(arc)
            rows.append({each: tuple(arcs) for each, arcs in found.items()})
        return tuple(rows)

    def outputs(self, words: Sequence[str]) -> frozenset[Outputs]:
        """Return every string of symbols the word string gives; empty when it is not accepted."""
        here: set[tuple[int, Outputs]] = {(0, ())}
        for each in words:
            here = {(arc.to, out + arc.out) for at, out in here for arc in self._by_word[at].get(each, ())}
            if not here:
                break
        return frozenset(out + last for at, out in here for last in self.finals.get(at, ()))

    @cached_property
    def automaton(self) -> Automaton:
        """The minimal deterministic automaton of the accepted word strings."""
        return _minimal(*_subsets(self))

    def ambiguities(self, most: int = 20) -> list[tuple[str, ...]]:
        """Return word strings with more than one meaning, at most `most`; none proves there are none.

        In the square (pairs of states reached by one word string) the meanings agree on every string exactly
        when each pair on a way to an end is reached with one delay between the two outputs, and ends with none.
        """
        found: list[tuple[str, ...]] = []
        for words in _Square(self).suspects():
            if len(self.outputs(words)) > 1 and words not in found:
                found.append(words)
            if len(found) >= most:
                break
        return found


def compile_transducer(expr: Expr) -> Transducer:
    """Build the transducer of a language: no silent arcs, no useless states."""
    builder = _Builder()
    start = builder.state()
    end = builder.add(expr, start)
    number = {start: 0}
    order = [start]
    rows: list[list[Arc]] = []
    finals: dict[int, frozenset[Outputs]] = {}
    for at in order:  # grows while it is read
        row: dict[Arc, None] = {}
        last: set[Outputs] = set()
        for state, out in builder.reach(at):
            if state == end:
                last.add(out)
            for arc in builder.spoken[state]:
                if arc.to not in number:
                    number[arc.to] = len(order)
                    order.append(arc.to)
                row[Arc(arc.word, out + arc.out, number[arc.to])] = None
        if last:
            finals[number[at]] = frozenset(last)
        rows.append(list(row))
    return _trimmed(rows, finals)


def _trimmed(rows: list[list[Arc]], finals: Mapping[int, frozenset[Outputs]]) -> Transducer:
    """Drop states from which no end is reached; the start stays."""
    back: list[list[int]] = [[] for _ in rows]
    for at, row in enumerate(rows):
        for arc in row:
            back[arc.to].append(at)
    useful = set(finals)
    todo = list(useful)
    while todo:
        for at in back[todo.pop()]:
            if at not in useful:
                useful.add(at)
                todo.append(at)
    useful.add(0)
    if len(useful) == len(rows):
        return Transducer(tuple(map(tuple, rows)), finals)
    number = {at: new for new, at in enumerate(at for at in range(len(rows)) if at in useful)}
    kept = tuple(tuple(Arc(arc.word, arc.out, number[arc.to]) for arc in rows[at] if arc.to in useful) for at in number)
    return Transducer(kept, {number[at]: outs for at, outs in finals.items()})


def _merged(transducer: Transducer) -> Transducer:
    """Merge states that go on alike, word for word and symbol for symbol."""
    arcs, finals = transducer.arcs, transducer.finals
    group = [0] * len(arcs)
    groups = 1
    while True:
        numbers: dict[object, int] = {}
        group = [
            numbers.setdefault((finals.get(at), frozenset((arc.word, arc.out, group[arc.to]) for arc in row)), at)
            for at, row in enumerate(arcs)
        ]
        if len(numbers) == groups:
            break
        groups = len(numbers)
    firsts = [at for at in range(len(arcs)) if group[at] == at]
    number = {at: new for new, at in enumerate(firsts)}
    rows = tuple(tuple({Arc(arc.word, arc.out, number[group[arc.to]]): None for arc in arcs[at]}) for at in firsts)
    return Transducer(rows, {number[at]: finals[at] for at in firsts if at in finals})


def _subsets(transducer: Transducer) -> tuple[list[dict[str, int]], set[int]]:
    """Return arcs and finals of the subset automaton of the transducer's word side."""
    start = frozenset((0,))
    number = {start: 0}
    order = [start]
    arcs: list[dict[str, int]] = []
    finals: set[int] = set()
    for subset in order:  # grows while it is read
        reached: dict[str, set[int]] = {}
        for at in subset:
            for arc in transducer.arcs[at]:
                reached.setdefault(arc.word, set()).add(arc.to)
        row: dict[str, int] = {}
        for each, states in reached.items():
            target = frozenset(states)
            if target not in number:
                number[target] = len(order)
                order.append(target)
            row[each] = number[target]
        arcs.append(row)
        if any(at in transducer.finals for at in subset):
            finals.add(number[subset])
    return arcs, finals


def _minimal(arcs: list[dict[str, int]], finals: set[int]) -> Automaton:
    """Merge states that accept the same word strings and number them canonically."""
    rows = [sorted(row.items()) for row in arcs]
    group = [int(at in finals) for at in range(len(arcs))]
    groups = len(set(group))
    while True:
        numbers: dict[tuple[object, ...], int] = {}
        group = [
            numbers.setdefault((group[at], *[(each, group[to]) for each, to in row]), len(numbers))
            for at, row in enumerate(rows)
        ]
        if len(numbers) == groups:
            break
        groups = len(numbers)
    number = {group[0]: 0}
    order = [0]
    seen_rows: list[Mapping[str, int]] = []
    ends: set[int] = set()
    for at in order:  # grows while it is read; one state stands for its group
        row: dict[str, int] = {}
        for each, to in rows[at]:
            if group[to] not in number:
                number[group[to]] = len(order)
                order.append(to)
            row[each] = number[group[to]]
        seen_rows.append(row)
        if at in finals:
            ends.add(number[group[at]])
    return Automaton(tuple(seen_rows), frozenset(ends))


Delay = tuple[Outputs, Outputs]


def _delay(one: Outputs, other: Outputs) -> Delay | None:
    """Take off what both put out; None when they already differ."""
    same = 0
    for a, b in zip(one, other, strict=False):
        if a != b:
            return None
        same += 1
    return one[same:], other[same:]


class _Square:
    """Pairs of transducer states that one word string reaches, with the delay between their outputs."""

    def __init__(self, transducer: Transducer) -> None:
        self.transducer = transducer
        self.to_end = self._ways_to_an_end()

    def _next(self, pair: tuple[int, int]) -> Iterator[tuple[Arc, Arc]]:
        here, there = self.transducer._by_word[pair[0]], self.transducer._by_word[pair[1]]
        for each, arcs in here.items():
            for one in arcs:
                for other in there.get(each, ()):
                    yield one, other

    def _ways_to_an_end(self) -> dict[tuple[int, int], tuple[str, tuple[int, int]] | None]:
        """Return the first step of a shortest way to an end, for each pair that has one."""
        pairs = {(0, 0)}
        order = [(0, 0)]
        back: dict[tuple[int, int], list[tuple[str, tuple[int, int]]]] = {}
        for pair in order:  # grows while it is read
            for one, other in self._next(pair):
                to = (one.to, other.to)
                back.setdefault(to, []).append((one.word, pair))
                if to not in pairs:
                    pairs.add(to)
                    order.append(to)
        finals = self.transducer.finals
        way: dict[tuple[int, int], tuple[str, tuple[int, int]] | None] = {
            pair: None for pair in order if pair[0] in finals and pair[1] in finals
        }
        ends = list(way)
        for pair in ends:  # grows while it is read
            for each, before in back.get(pair, ()):
                if before not in way:
                    way[before] = (each, pair)
                    ends.append(before)
        return way

    def _finish(self, pair: tuple[int, int]) -> tuple[str, ...]:
        words: list[str] = []
        step = self.to_end[pair]
        while step is not None:
            words.append(step[0])
            step = self.to_end[step[1]]
        return tuple(words)

    def suspects(self) -> Iterator[tuple[str, ...]]:
        """Yield word strings that show a second meaning; yields nothing only when there is none."""
        if (0, 0) not in self.to_end:
            return
        delays: dict[tuple[int, int], Delay] = {(0, 0): ((), ())}
        words: dict[tuple[int, int], tuple[str, ...]] = {(0, 0): ()}
        order = [(0, 0)]
        for pair in order:  # grows while it is read
            finals = self.transducer.finals
            for one_end in finals.get(pair[0], ()):
                for other_end in finals.get(pair[1], ()):
                    if delays[pair][0] + one_end != delays[pair][1] + other_end:
                        yield words[pair]
            for one, other in self._next(pair):
                to = (one.to, other.to)
                if to not in self.to_end:
                    continue
                said = (*words[pair], one.word)
                late = _delay(delays[pair][0] + one.out, delays[pair][1] + other.out)
                if late is None:
                    yield said + self._finish(to)
                elif to not in delays:
                    delays[to], words[to] = late, said
                    order.append(to)
                elif delays[to] != late:  # two delays: one of the two ways shows it
                    yield said + self._finish(to)
                    yield words[to] + self._finish(to)
