"""How alike two names sound, counted in the features of their sounds.

Names become sounds by the bench's own speech program (British English), sounds become features by the package
soundvectors, and two names are as far apart as the cheapest way from one to the other: changing a sound costs the
features in which the two differ, leaving one out or putting one in costs what changing it for another does on average.

The language's own words set the measure of how close is too close: its digits and control words must be told apart
in every shop, so no two names of a plan may be closer than the closest two of these. Measured with espeak-ng 1.51
that is "two" and "four", 6.5 features; "seal" and "seat" are 4, "fit" and "feet" 2, "root" and "route" 0, while
"inboard shoe" and "outboard shoe" are 12. It is a measure of sound, not of what one engine has learnt.

Source: features after A. Rubehn, J. Nieder, R. Forkel, J.-M. List, "Generating feature vectors from phonetic
transcriptions in cross-linguistic data formats", 2024; names of sounds as in the chart of the International Phonetic
Association; least cost of turning one row into another after R. Wagner and M. Fischer, 1974.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations

from soundvectors import SoundVectors  # type: ignore[import-untyped]

from capture.errors import VoiceError
from capture.language.vocabulary import COMMAND_ALSO, COMMANDS, CORRECTION, DIGITS, POINTS

PROGRAM = "espeak-ng"
VOICE = "en-gb"
_TIMEOUT_S = 20.0
Sounds = tuple[str, ...]

_STOPS = {"p": "voiceless bilabial", "b": "voiced bilabial", "t": "voiceless alveolar", "d": "voiced alveolar"}
_STOPS |= {"k": "voiceless velar", "ɡ": "voiced velar", "ʔ": "voiceless glottal"}
_NASALS = {"m": "voiced bilabial", "n": "voiced alveolar", "ŋ": "voiced velar"}
_FRICATIVES = {"f": "voiceless labio-dental", "v": "voiced labio-dental", "θ": "voiceless dental", "ð": "voiced dental"}
_FRICATIVES |= {"h": "voiceless glottal", "x": "voiceless velar"}
_SIBILANTS = {"s": "voiceless alveolar", "z": "voiced alveolar", "ʃ": "voiceless post-alveolar"}
_SIBILANTS |= {"ʒ": "voiced post-alveolar"}
_AFFRICATES = {"tʃ": "voiceless post-alveolar", "dʒ": "voiced post-alveolar"}
_APPROXIMANTS = {"l": "voiced alveolar lateral", "ɹ": "voiced alveolar"}
_APPROXIMANTS |= {"j": "voiced palatal", "w": "voiced labio-velar"}
_VOWELS = {
    "i": "unrounded close front",
    "ɪ": "unrounded near-close near-front",
    "e": "unrounded close-mid front",
    "ɛ": "unrounded open-mid front",
    "a": "unrounded near-open front",
    "æ": "unrounded near-open front",
    "ɐ": "unrounded near-open central",
    "ə": "unrounded mid central",
    "ɜ": "unrounded open-mid central",
    "ʌ": "unrounded open-mid back",
    "ɑ": "unrounded open back",
    "ɒ": "rounded open back",
    "ɔ": "rounded open-mid back",
    "o": "rounded close-mid back",
    "ʊ": "rounded near-close near-back",
    "u": "rounded close back",
}
_NAMES: dict[str, str] = {
    sound: f"{name} {kind}"
    for kind, sounds in (
        ("stop consonant", _STOPS),
        ("nasal consonant", _NASALS),
        ("fricative consonant", _FRICATIVES),
        ("sibilant fricative consonant", _SIBILANTS),
        ("sibilant affricate consonant", _AFFRICATES),
        ("approximant consonant", _APPROXIMANTS),
        ("vowel", _VOWELS),
    )
    for sound, name in sounds.items()
}
_NAMES |= {f"{sound}ː": f"long {name} vowel" for sound, name in _VOWELS.items()}
_LONGEST = max(map(len, _NAMES))
_NOT_SOUNDS = re.compile("[ˈˌ_ \u0300-\u036f]")  # stress, blanks, marks over and under


@dataclass(frozen=True, slots=True)
class Closest:
    """Two words and how many half features they are apart."""

    one: str
    other: str
    distance: int


@cache
def _features() -> Mapping[str, tuple[int, ...]]:
    made = SoundVectors()
    return {sound: tuple(made.get_vec(name)) for sound, name in _NAMES.items()}


@cache
def _change(one: str, other: str) -> int:
    """Return what changing a sound for another costs, in half features; an unknown sound is as far as the average."""
    known = _features()
    if one == other:
        return 0
    if one not in known or other not in known:
        return _gap()
    return sum(abs(a - b) for a, b in zip(known[one], known[other], strict=True))


@cache
def _gap() -> int:
    """Return what a sound too many costs: the average of changing one for another, in half features."""
    pairs = list(combinations(_features().values(), 2))
    total = sum(abs(a - b) for one, other in pairs for a, b in zip(one, other, strict=True))
    return round(total / len(pairs))


def split(ipa: str) -> Sounds:
    """Return the sounds of a transcription; stress and pauses are left out.

    >>> split("tʃ_ˈɑː_l_i")
    ('tʃ', 'ɑː', 'l', 'i')
    """
    rest = _NOT_SOUNDS.sub("", ipa).replace("g", "ɡ").replace("r", "ɹ")
    sounds: list[str] = []
    while rest:
        size = next((n for n in range(_LONGEST, 1, -1) if rest[:n] in _NAMES), 1)
        sounds.append(rest[:size])
        rest = rest[size:]
    return tuple(sounds)


def distance(one: Sounds, other: Sounds) -> int:
    """Return how far apart two rows of sounds are, in half features.

    >>> distance(("f", "iː", "t"), ("f", "ɪ", "t")), distance(("s", "iː"), ("s", "iː", "l")) > 0
    (4, True)
    """
    row = [at * _gap() for at in range(len(other) + 1)]
    for at, sound in enumerate(one, start=1):
        before, row = row, [at * _gap()]
        for to, wanted in enumerate(other, start=1):
            row.append(min(before[to] + _gap(), row[-1] + _gap(), before[to - 1] + _change(sound, wanted)))
    return row[-1]


def sounds_of(texts: Iterable[str]) -> dict[str, Sounds]:
    """Return each text's sounds, as the bench's voice says it.

    Raises:
        VoiceError: the speech program is not installed or does not answer.
    """
    wanted = list(dict.fromkeys(texts))
    if not wanted:
        return {}
    command = [PROGRAM, "-q", "--ipa", "-v", VOICE]
    try:
        done = subprocess.run(
            command,
            input="".join(f"{text}\n" for text in wanted),
            capture_output=True,
            text=True,
            encoding="utf-8",
            timeout=_TIMEOUT_S,
            check=True,
        )
    except FileNotFoundError:
        raise VoiceError(
            f"Speech program {PROGRAM!r} is not installed, so how names sound was not checked; "
            "install the system package espeak-ng"
        ) from None
    except (OSError, subprocess.SubprocessError, UnicodeDecodeError) as error:
        raise VoiceError(f"Speech program {PROGRAM!r} did not say how names sound ({error}); try it by hand") from None
    lines = done.stdout.strip("\n").split("\n")
    if len(lines) != len(wanted):
        raise VoiceError(f"Speech program {PROGRAM!r} gave {len(lines)} lines for {len(wanted)} names; update it")
    return {text: split(line) for text, line in zip(wanted, lines, strict=True)}


def fixed_words() -> dict[str, str]:
    """Return the words that every plan must keep clear of -> their meaning: digits, the point, signs, control words."""
    meanings = {each: f"digit {digit}" for digit, names in enumerate(DIGITS) for each in names}
    meanings |= dict.fromkeys(POINTS, "point") | {"minus": "minus", "plus": "plus", CORRECTION: CORRECTION}
    return meanings | {name: name for name in COMMANDS} | COMMAND_ALSO


@cache
def closest_fixed() -> Closest:
    """Return the closest two of the fixed words that mean different things: no two names may be closer.

    Raises:
        VoiceError: the speech program is not installed or does not answer.
    """
    meanings = fixed_words()
    return closest(sounds_of(meanings), meanings)


def closest(sounds: Mapping[str, Sounds], meanings: Mapping[str, str]) -> Closest:
    """Return the closest two words of different meaning."""
    pairs = [pair for pair in combinations(sounds, 2) if meanings[pair[0]] != meanings[pair[1]]]
    found = [Closest(one, other, distance(sounds[one], sounds[other])) for one, other in pairs]
    return min(found, key=lambda pair: pair.distance)


def shown(half_features: int) -> str:
    """Return a distance as people read it.

    >>> shown(13), shown(4)
    ('6.5', '2')
    """
    whole, half = divmod(half_features, 2)
    return f"{whole}.5" if half else str(whole)


def apart(one: str, other: str, sounds: Mapping[str, Sounds]) -> int:
    """Return how far apart two texts are whose sounds are known, in half features."""
    return distance(sounds[one], sounds[other])


__all__: Sequence[str] = (
    "Closest",
    "apart",
    "closest",
    "closest_fixed",
    "distance",
    "fixed_words",
    "shown",
    "sounds_of",
    "split",
)
