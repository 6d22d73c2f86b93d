"""What the speech tests share: sounds, and small grammars of their own."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile  # type: ignore[import-untyped]  # it ships no types

from capture.language.automaton import Automaton, Expr, alt, compile_transducer, opt, phrase, repeat, seq, word
from capture.speech.words import RATE_HZ, Samples, Utterance

SHARED_SPEECH = Path(__file__).parents[2].parent / "shared" / "speech"

DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
TEENS = tuple("ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen".split())
TENS = tuple("twenty thirty forty fifty sixty seventy eighty ninety".split())


def words(*texts: str) -> Expr:
    """Any one of some words."""
    return alt(*[word(text) for text in texts])


DIGIT = words(*DIGITS, "oh")


@dataclass(frozen=True, eq=False)
class SmallGrammar:
    """A `SpokenGrammar` from an expression; two word strings mean the same when their numbers are the same."""

    language: Expr
    prompt: str = ""

    @cached_property
    def automaton(self) -> Automaton:
        return compile_transducer(self.language).automaton

    @cached_property
    def key(self) -> str:
        return hashlib.sha256(f"{self.automaton.digest}|{self.prompt}".encode()).hexdigest()

    def meaning_key(self, words: tuple[str, ...]) -> Hashable:
        return folded(words)


def folded(said: Sequence[str]) -> str:
    """Number words to digits, the rest as it is.

    >>> folded("shoe one twenty nine point oh four".split()), folded("fifteen thou".split())
    ('shoe 129.04', '15 thou')
    """
    out: list[str] = []
    at = 0
    while at < len(said):
        text = said[at]
        if text in DIGITS or text == "oh":
            out.append("0" if text == "oh" else str(DIGITS.index(text)))
        elif text in TEENS:
            out.append(str(10 + TEENS.index(text)))
        elif text in TENS:
            units = DIGITS.index(said[at + 1]) if at + 1 < len(said) and said[at + 1] in DIGITS[1:] else 0
            at += units > 0
            out.append(str(10 * (TENS.index(text) + 2) + units))
        else:
            out.append(" . " if text == "point" else f" {text} ")
        at += 1
    return re.sub(r" ?\. ?", ".", " ".join("".join(out).split()))


def job_grammar(prompt: str | None = None) -> SmallGrammar:
    """The grammar of the speech pack's job sentences (its jobA), written in our own terms."""
    nonzero = words(*DIGITS[1:])
    teens_tens = alt(words(*TEENS), seq(words(*TENS), opt(nonzero)))
    small = alt(nonzero, teens_tens)
    cardinal = alt(small, seq(nonzero, word("hundred"), opt(seq(opt(word("and")), small))))
    whole = alt(repeat(DIGIT, 1, 3), teens_tens)
    decimal = seq(opt(whole), word("point"), repeat(DIGIT, 1, 4))
    thou = alt(
        seq(cardinal, opt(phrase("and a half")), word("thou")),
        seq(nonzero, word("tenths")),
        seq(cardinal, word("thou"), nonzero, word("tenths")),
        phrase("half a thou"),
        phrase("a quarter thou"),
    )
    value = seq(opt(words("plus", "minus")), alt(decimal, thou))
    shoes = seq(words("outboard", "inboard"), word("shoe"), words(*DIGITS[1:9]))
    rings = seq(words("outboard", "inboard"), phrase("seal ring bore"))
    part = alt(shoes, rings, phrase("thrust collar"), phrase("shaft shim"), phrase("lock nut"))
    control = alt(*[phrase(text) for text in CONTROL_WORDS])
    call = alt(seq(part, opt(value)), value, seq(word("correction"), value), control)
    return SmallGrammar(call, JOB_PROMPT if prompt is None else prompt)


CONTROL_WORDS = ("affirm", "negative", "correction", "say again", "cancel", "skip", "next", "go back")
JOB_PROMPT = (
    "outboard shoe two point oh four five inboard shoe seven minus one four point nine eight thrust collar forty nine "
    "thou shaft shim three and a half thou correction plus zero point six three lock nut six tenths say again "
    "outboard seal ring bore negative inboard seal ring bore twelve point five zero seven affirm"
)
"""Vocabulary of the job with made-up values; written once, before anything was measured with it."""

DIGIT_PROMPT = "seven two nine three zero four one eight six five oh"


def digit_grammar(count: int | None = None) -> SmallGrammar:
    """One to eight digits, or exactly so many."""
    return SmallGrammar(repeat(DIGIT, count or 1, count or 8), DIGIT_PROMPT)


def utterance(samples: Samples) -> Utterance:
    """Sound as an utterance that starts at the beginning of the stream."""
    return Utterance(samples, 0.0, len(samples) / RATE_HZ)


def shared_recordings(name: str, every: int = 1) -> list[dict[str, Any]]:
    """Entries of one set of the shared speech pack; skips the test where the pack is not."""
    manifest = SHARED_SPEECH / "manifest.jsonl"
    if not manifest.is_file():
        pytest.skip("../shared is not here: recordings of people cannot be used")
    entries = [json.loads(line) for line in manifest.read_text(encoding="utf-8").splitlines()]
    return [entry for entry in entries if entry["set"] == name][::every]


def recording(entry: dict[str, Any]) -> Samples:
    """The sound of an entry of the shared pack."""
    samples, rate_hz = soundfile.read(SHARED_SPEECH / entry["file"], dtype="int16")
    assert rate_hz == RATE_HZ
    return np.asarray(samples, dtype=np.int16)


def quiet(seconds: float, *, level: int = 8, key: int = 0) -> Samples:
    """The hiss of a quiet room."""
    noise = np.random.default_rng(key).standard_normal(int(seconds * RATE_HZ)) * level
    return np.asarray(noise, dtype=np.int16)


def shop_noise(seconds: float, *, level: float = 2000.0, key: int = 0) -> Samples:
    """A steady rumble with knocks on metal, made here."""
    rng = np.random.default_rng(key)
    count = int(seconds * RATE_HZ)
    rumble = np.cumsum(rng.standard_normal(count))
    rumble -= np.convolve(rumble, np.ones(801) / 801, mode="same")
    sound = rumble / rumble.std()
    time = np.arange(int(0.3 * RATE_HZ)) / RATE_HZ
    for at in rng.integers(0, max(1, count - len(time)), size=max(1, int(seconds))):
        ring = sum(np.sin(2 * np.pi * pitch * time) for pitch in rng.uniform(500, 6000, size=4))
        sound[at : at + len(time)] += 2.0 * ring * np.exp(-time / 0.05)
    return np.asarray(np.clip(sound * level, -32768, 32767), dtype=np.int16)


def frames(samples: Samples) -> Iterator[Samples]:
    """Cut sound into frames of 512 samples; the rest that fills none is left out."""
    for begin in range(0, len(samples) - 511, 512):
        yield samples[begin : begin + 512]
