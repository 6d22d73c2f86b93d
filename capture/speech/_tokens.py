"""From a grammar over words to an automaton over a Whisper tokenizer's tokens.

A word may be written in several ways: " thou", " Thou", after a hyphen, numerals for number words
(" 1.248" is "one point two four eight"), with commas and full stops between. Each way is a path of its
own; the search adds up the paths that spell the same words.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from tokenizers import Tokenizer

from capture.speech.words import WordAutomaton

Words = tuple[str, ...]

_DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_TEENS = (
    *("ten", "eleven", "twelve", "thirteen", "fourteen"),
    *("fifteen", "sixteen", "seventeen", "eighteen", "nineteen"),
)
_TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
_NUMERAL = re.compile(r"( ?)([0-9]{1,4})")
_SIGNS = {"minus": (" -", "-"), "plus": (" +", "+")}
_SPELLINGS = {
    "millimetre": (" millimeter", " mm"),
    "millimetres": (" millimeters", " mm"),
    "micrometre": (" micrometer",),
    "micrometres": (" micrometers",),
    "grey": (" gray",),
}
"""Other spellings of a word, as the model may write it."""


class Vocabulary:
    """What is needed of a Whisper tokenizer: token ids of texts, numerals and marks."""

    def __init__(self, tokenizer_file: Path) -> None:
        self._tokenizer = Tokenizer.from_file(str(tokenizer_file))
        self.end = self._special("<|endoftext|>")
        self.start = self._special("<|startoftranscript|>")
        self.previous = self._special("<|startofprev|>")
        self.no_timestamps = self._special("<|notimestamps|>")
        self.full_stop = self.encode(".")[0]
        self.spaced_full_stop = self.encode(" .")[0]
        self.comma = self.encode(",")[0]
        self.hyphen = self.encode("-")[0]
        self.signs = {word: tuple(self.encode(text)[0] for text in texts) for word, texts in _SIGNS.items()}
        self.numerals: dict[int, tuple[bool, str]] = {}
        for token in range(self.end):
            if found := _NUMERAL.fullmatch(self._tokenizer.decode([token])):
                self.numerals[token] = (bool(found[1]), found[2])
        self._encoded: dict[str, tuple[int, ...]] = {}

    def _special(self, text: str) -> int:
        token = self._tokenizer.token_to_id(text)
        if token is None:
            raise ValueError(f"tokenizer has no {text}")
        return int(token)

    def encode(self, text: str) -> tuple[int, ...]:
        """Return the tokens of a text, without the special ones around it."""
        return tuple(self._tokenizer.encode(text, add_special_tokens=False).ids)

    def surfaces(self, word: str, *, after_hyphen: bool) -> tuple[tuple[int, ...], ...]:
        """Return the token strings that may stand for one word."""
        if after_hyphen:
            texts: tuple[str, ...] = (word,)
        else:
            texts = (f" {word}", f" {word.capitalize()}", *_SPELLINGS.get(word, ()))
        found = []
        for text in texts:
            if text not in self._encoded:
                self._encoded[text] = self.encode(text)
            found.append(self._encoded[text])
        return tuple(dict.fromkeys(found))


class State(NamedTuple):
    """Where a token string has come to.

    `place`: state of the word automaton; `pending`: tokens of a word begun; `mark`: what the last token
    was: "" a word or the start, "numeral", "point" (a dot inside a number), "sign", "hyphen", "separator".
    """

    place: int
    pending: tuple[int, ...] = ()
    mark: str = ""


Step = tuple[State, Words]


class TokenAutomaton:
    """All token strings that spell a word string of the grammar; built as far as the search walks it."""

    def __init__(self, automaton: WordAutomaton, vocabulary: Vocabulary) -> None:
        self._arcs = automaton.arcs
        self._finals = automaton.finals
        self._vocabulary = vocabulary
        self._steps: dict[State, dict[int, list[Step]]] = {}
        self._tokens: dict[State, NDArray[np.int64]] = {}
        self._numerals: dict[tuple[int, str], list[tuple[int, Words]]] = {}
        self.start = State(0)
        self.tokens_used = self._collect(automaton.words)

    def _collect(self, words: Words) -> NDArray[np.int64]:
        """Every token that can occur, sorted."""
        vocabulary = self._vocabulary
        used = {vocabulary.end, vocabulary.full_stop, vocabulary.spaced_full_stop, vocabulary.comma, vocabulary.hyphen}
        used.update(token for tokens in vocabulary.signs.values() for token in tokens)
        used.update(vocabulary.numerals)
        for word in words:
            for after_hyphen in (False, True):
                for surface in vocabulary.surfaces(word, after_hyphen=after_hyphen):
                    used.update(surface)
        return np.array(sorted(used), dtype=np.int64)

    def is_final(self, state: State) -> bool:
        """Say whether a token string may end here."""
        return not state.pending and state.mark not in ("point", "sign", "hyphen") and state.place in self._finals

    def tokens(self, state: State) -> NDArray[np.int64]:
        """Return the tokens that may follow, except the end."""
        found = self._tokens.get(state)
        if found is None:
            tokens = set(self._spelled(state))
            if not state.pending and state.mark != "hyphen" and self._takes_number(state.place):
                bare = state.mark in ("numeral", "point", "sign")
                spaced = state.mark not in ("point", "sign")
                for token, (is_spaced, _) in self._vocabulary.numerals.items():
                    if spaced if is_spaced else bare:
                        tokens.add(token)
            found = self._tokens[state] = np.array(sorted(tokens), dtype=np.int64)
        return found

    def follow(self, state: State, token: int) -> list[Step]:
        """Return where a token of `tokens(state)` leads and the words it completes; [] when nowhere."""
        steps = self._spelled(state).get(token, [])
        numeral = self._vocabulary.numerals.get(token)
        if numeral is None or state.pending:
            return steps
        read: list[Step] = [
            (State(place, (), "numeral"), words) for place, words in self._read(state.place, numeral[1])
        ]
        return steps + read

    def _takes_number(self, place: int) -> bool:
        arcs = self._arcs[place]
        return any(word in arcs for word in (*_DIGITS, "oh", *_TEENS, *_TENS))

    def _spelled(self, state: State) -> dict[int, list[Step]]:
        found = self._steps.get(state)
        if found is None:
            found = self._steps[state] = {}
            self._add_words(state, found)
            if not state.pending:
                self._add_marks(state, found)
        return found

    def _add_words(self, state: State, steps: dict[int, list[Step]]) -> None:
        if state.mark in ("point", "sign"):
            return
        place, pending, mark = state
        depth = len(pending)
        for word, target in self._arcs[place].items():
            for surface in self._vocabulary.surfaces(word, after_hyphen=mark == "hyphen"):
                if len(surface) <= depth or surface[:depth] != pending:
                    continue
                if len(surface) == depth + 1:
                    step: Step = (State(target), (word,))
                else:
                    step = (State(place, surface[: depth + 1], mark if mark == "hyphen" else ""), ())
                following = steps.setdefault(surface[depth], [])
                if step not in following:
                    following.append(step)

    def _add_marks(self, state: State, steps: dict[int, list[Step]]) -> None:
        vocabulary, arcs, mark = self._vocabulary, self._arcs[state.place], state.mark
        if "point" in arcs and mark != "hyphen":
            step: Step = (State(arcs["point"], (), "point"), ("point",))
            dots = [vocabulary.full_stop] if mark in ("numeral", "sign") else []
            dots += [vocabulary.spaced_full_stop] if mark != "sign" else []
            for token in dots:
                steps.setdefault(token, []).append(step)
        for word, tokens in vocabulary.signs.items():
            if word in arcs and mark != "hyphen":
                for token in tokens:
                    steps.setdefault(token, []).append((State(arcs[word], (), "sign"), (word,)))
        if state.place != 0 and mark in ("", "numeral"):
            for token in (vocabulary.comma, vocabulary.full_stop):
                steps.setdefault(token, []).append((State(state.place, (), "separator"), ()))
            if mark == "":
                steps.setdefault(vocabulary.hyphen, []).append((State(state.place, (), "hyphen"), ()))

    def _read(self, place: int, digits: str) -> list[tuple[int, Words]]:
        """Every way to say the digits from here: places reached and words said."""
        key = (place, digits)
        found = self._numerals.get(key)
        if found is None:
            found = self._numerals[key] = list(dict.fromkeys(self._walk(place, digits)))
        return found

    def _walk(self, place: int, digits: str) -> Iterator[tuple[int, Words]]:
        if not digits:
            yield place, ()
            return
        for taken, words in _sayings(digits):
            if words == ("oh",) and "zero" in self._arcs[place]:
                continue  # the numeral does not tell them apart, and they mean the same
            target = self._after(place, words)
            if target is not None:
                for end, rest in self._walk(target, digits[taken:]):
                    yield end, words + rest

    def _after(self, place: int, words: Words) -> int | None:
        here: int | None = place
        for word in words:
            here = self._arcs[here].get(word) if here is not None else None
        return here


def _sayings(digits: str) -> Iterator[tuple[int, Words]]:
    """Yield how many leading digits a number word or phrase takes, and the phrase.

    >>> [words for taken, words in _sayings("14")]
    [('one',), ('fourteen',)]
    """
    first = int(digits[0])
    yield 1, (_DIGITS[first],)
    if first == 0:
        yield 1, ("oh",)
        return
    pair = _pair(digits[:2])
    if pair:
        yield 2, pair
    if len(digits) >= 3:
        hundred = (_DIGITS[first], "hundred")
        rest = digits[1:3]
        if rest == "00":
            yield 3, hundred
        elif tail := (_DIGITS[int(rest[1])],) if rest[0] == "0" else _pair(rest):
            yield 3, hundred + tail
            yield 3, (*hundred, "and", *tail)


def _pair(digits: str) -> Words:
    """Words of a number from 10 to 99, () for anything else."""
    if len(digits) < 2 or digits[0] == "0":
        return ()
    tens, units = int(digits[0]), int(digits[1])
    if tens == 1:
        return (_TEENS[units],)
    return (_TENS[tens - 2], _DIGITS[units]) if units else (_TENS[tens - 2],)
