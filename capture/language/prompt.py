"""What a recogniser is given as text said before: phrases of the job with made-up values.

Vocabulary only. The values are the same for every plan and follow from the number of decimals alone, so the prompt
cannot lean hearing towards a nominal, a limit or an earlier reading.

Source: measured on a shared speech pack: one run of phrases without punctuation hears best.
"""

from __future__ import annotations

from capture.domain.spoken import digit_words
from capture.domain.units import unit_spoken
from capture.language import values
from capture.language.vocabulary import (
    COMMANDS_BY_MODE,
    CORRECTION,
    DOES_NOT,
    GAUGE_COMMANDS,
    GOES,
    READS,
    STANDARD,
    TEMPERATURE,
    TEMPERATURES,
    ZERO_CHECK,
    SpokenCharacteristic,
    SpokenPlan,
)

_WHOLES = ("4", "7", "2", "9")
_AFTER = ("3806195", "9052714", "1763048", "6240893")
_WORDS_WANTED = 32


def made_up_value(decimals: int, turn: int) -> str:
    """Return the digits of the made-up value of a turn, said one by one.

    >>> made_up_value(3, 0)
    'four point three eight zero'
    """
    whole = _WHOLES[turn % len(_WHOLES)]
    if decimals == 0:
        return digit_words(whole)
    return digit_words(f"{whole}.{_AFTER[turn % len(_AFTER)][: min(decimals, 6)]}")


def _phrase(words: str, one: SpokenCharacteristic, turn: int) -> str:
    sign = "minus " if one.signed and turn % 2 else ""
    unit = f" {unit_spoken(one.unit)}" if one.decimals == 0 or turn == 0 else ""
    return f"{words} {one.spoken} {sign}{made_up_value(one.decimals, turn)}{unit}"


def _small_value(plan: SpokenPlan) -> str:
    """Return how small things are counted in the plan's units, when something of it is a length."""
    systems = {values.system(one.unit) for one in plan.characteristics}
    if "inch" in systems:
        return "six and a half thou"
    return "twenty five microns" if "metric" in systems else ""


def _besides(plan: SpokenPlan, gauge: tuple[str, int] | None) -> list[str]:
    """Return what else may be said in an open job of this plan, with this gauge in hand."""
    said: list[str] = []
    if gauge is not None:
        shown = made_up_value(gauge[1], 1)
        said.append(f"{ZERO_CHECK} {STANDARD} {READS} {shown} {' '.join(GAUGE_COMMANDS)}")
    if any(one.by_feeler for one in plan.characteristics):
        said.append(f"{GOES} {DOES_NOT}")
    if plan.takes_temperatures:
        said.append(" ".join(f"{of} {TEMPERATURE}" for of in TEMPERATURES))
    return said


def sample_prompt(plan: SpokenPlan, mode: str, gauge: tuple[str, int] | None = None) -> str:
    """Return the prompt: words of the vocabulary in one run, no punctuation.

    One phrase for each group in turn, the characteristics of a group in turn, until there are enough words.

    Args:
        gauge: unit and decimals of the gauge in hand.
    """
    commands = " ".join(COMMANDS_BY_MODE[mode])
    if mode not in ("open", "answer") or not plan.positions:
        return commands
    phrases: list[str] = []
    groups = list(dict.fromkeys(group for _, group, _ in plan.positions))
    for turn in range(2 * len(groups)):
        group = groups[turn % len(groups)]
        names = [words for _, at, words in plan.positions if at == group]
        measured = plan.at_group(group)
        if not measured or turn >= len(groups) * max(len(names), len(measured)):
            continue
        lap = turn // len(groups)
        one = measured[lap % len(measured)]
        phrases.append(_phrase(names[(turn + lap) % len(names)], one, turn))
        if sum(len(each.split()) for each in phrases) >= _WORDS_WANTED:
            break
    if plan.findings and mode == "open":
        _, words, severities = plan.findings[0]
        phrases.append(f"{plan.positions[0][2]} {' '.join(severities[:1])} {words}")
    phrases += _besides(plan, gauge) if mode == "open" else []
    answers = "affirm negative yes no say again" if mode == "answer" else "affirm negative say again"
    tail = f"{CORRECTION} {_small_value(plan)} {answers}"
    return " ".join(f"{' '.join(phrases)} {tail}".split())
