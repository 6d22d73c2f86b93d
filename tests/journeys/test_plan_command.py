"""The `plan` command: a plan is checked as a bench will use it, shown as it will be asked, and written new."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import jsonschema  # type: ignore[import-untyped]
import pytest

from capture.domain.plan import load
from capture.likeness import closest, closest_fixed, distance, fixed_words, sounds_of
from capture.planning import digit_makes_implausible, listening_states
from tests.tools import needs

ROOT = Path(__file__).parents[2]
SHIPPED = sorted((ROOT / "capture" / "plans").glob("*.toml"))

PLAN = """\
schema = 1

[plan]
id = "small-plan"
title = "Small plan"
machine = "unit 1"
unit_system = "metric"

[[group]]
id = "housing"
spoken = "housing"

[[characteristic]]
id = "depth"
title = "depth of the recess"
spoken = "depth"
groups = ["housing"]
unit = "mm"
decimals = 2
limits = { lower = "4.00", upper = "4.50", source = "invented", standing = "plan author" }

[[characteristic]]
id = "width"
title = "width of the recess"
spoken = "width"
groups = ["housing"]
unit = "mm"
decimals = 2

[[finding]]
id = "rust"
spoken = "rust"
severities = ["light", "heavy"]

[[example]]
id = "inside"
of = "depth"
readings = { depth = "4.20" }
verdict = "conforming"
"""


def plan_command(*words: str | Path, answers: str = "", path: str | None = None) -> subprocess.CompletedProcess[str]:
    """Run `benchcall plan`; `path` replaces where programs are looked for."""
    return subprocess.run(
        [sys.executable, "-m", "capture", "plan", *map(str, words)],
        cwd=ROOT,
        input=answers,
        capture_output=True,
        text=True,
        timeout=400,
        check=False,
        env=os.environ if path is None else {**os.environ, "PATH": path},
    )


@pytest.fixture(autouse=True)
def speech_program() -> None:
    needs.program("espeak-ng", package="espeak-ng")


def written(folder: Path, *changes: tuple[str, str], text: str = PLAN) -> Path:
    """Write the small plan with changes made; each must change something."""
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = folder / "small.toml"
    path.write_text(text, encoding="utf-8")
    return path


def line_of(path: Path, start: str) -> int:
    """Return the number of the first line that starts so."""
    return next(n for n, line in enumerate(path.read_text().splitlines(), 1) if line.startswith(start))


# --- check


def test_a_sound_plan_passes_with_one_line_that_names_its_revision(tmp_path: Path) -> None:
    done = plan_command("check", written(tmp_path))
    assert (done.returncode, done.stderr) == (0, "")
    assert load(PLAN).revision in done.stdout and "1 worked example held" in done.stdout


def test_every_shipped_plan_passes() -> None:
    done = plan_command("check", *SHIPPED)
    assert (done.returncode, done.stderr) == (0, "")
    assert sum("held" in line for line in done.stdout.splitlines()) == len(SHIPPED) == 7


@pytest.mark.parametrize(
    ("changes", "line", "parts"),
    [
        (
            [('verdict = "conforming"', 'verdict = "nonconforming above"')],
            "verdict",
            ["'inside'", "gives 'conforming'"],
        ),
        (
            [('spoken = "depth"', 'spoken = "seal"'), ('spoken = "width"', 'spoken = "seat"')],
            'spoken = "seat"',
            ["'seat'", "'seal' of characteristic 'depth'", "choose other words"],
        ),
        ([('spoken = "rust"', 'spoken = "reed back"')], 'spoken = "reed back"', ["control word 'read back'"]),
        ([('spoken = "width"', 'spoken = "bore"')], 'spoken = "bore"', ["'bore'", "'four'", "housing four"]),
        ([('"light", "heavy"', '"light", "lite"')], "severities", ["'lite'", "'light'"]),
    ],
)
def test_each_fault_is_one_line_with_file_line_and_remedy(
    tmp_path: Path, changes: list[tuple[str, str]], line: str, parts: list[str]
) -> None:
    path = written(tmp_path, *changes)
    done = plan_command("check", path)
    faults = done.stderr.splitlines()
    assert done.returncode == 10 and len(faults) == 1, done.stderr
    assert faults[0].startswith(f"benchcall: {path}, line {line_of(path, line)}: ")
    assert all(part in faults[0] for part in parts), faults[0]
    assert "; " in faults[0]


def test_every_fault_of_every_file_is_told(tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text("schema = 2\n", encoding="utf-8")
    two = written(
        tmp_path, ('spoken = "width"', 'spoken = "debt"'), ('verdict = "conforming"', 'verdict = "undecided"')
    )
    done = plan_command("check", bad, two, tmp_path / "none.toml")
    faults = done.stderr.splitlines()
    assert done.returncode == 10 and len(faults) == 4
    assert [name for name in ("bad.toml", "small.toml", "none.toml") for line in faults if name in line] == [
        "bad.toml", "small.toml", "small.toml", "none.toml"
    ]  # fmt: skip


def test_a_number_of_parts_that_runs_into_a_value_is_a_fault_where_no_word_stands_between(tmp_path: Path) -> None:
    text = PLAN[: PLAN.index('[[characteristic]]\nid = "width"')] + PLAN[PLAN.index("[[finding]]") :]
    changes = [('spoken = "housing"', 'spoken = "housing"\ncount = 30'), ('spoken = "depth"\n', "")]
    done = plan_command("check", written(tmp_path, *changes, text=text))
    assert done.returncode == 10 and "means two things" in done.stderr and "spoken word" in done.stderr
    named = plan_command("check", written(tmp_path, changes[0], text=text))
    assert named.returncode == 0, named.stderr


def test_a_digit_that_the_plausible_range_shows_up_is_noted_only(tmp_path: Path) -> None:
    plausible = '\ndecimals = 2\nplausible = { lower = "2", upper = "12" }'
    text = PLAN.replace("\ndecimals = 2", plausible)
    done = plan_command("check", written(tmp_path, ('spoken = "width"', 'spoken = "bore"'), text=text))
    assert (done.returncode, done.stderr) == (0, "")
    assert "note: " in done.stdout and "'four'" in done.stdout


def test_without_the_speech_program_the_rest_is_checked_and_what_is_missing_is_said(tmp_path: Path) -> None:
    path = written(tmp_path, ('verdict = "conforming"', 'verdict = "undecided"'))
    done = plan_command("check", path, path=str(tmp_path))
    faults = done.stderr.splitlines()
    assert done.returncode == 5 and len(faults) == 2
    assert "'inside'" in faults[0] and "install the system package espeak-ng" in faults[1]


# --- the measure


def test_no_digit_or_control_word_is_closer_to_another_than_two_is_to_four() -> None:
    pair = closest_fixed()
    assert {pair.one, pair.other} == {"two", "four"}
    sounds = sounds_of(fixed_words())
    for one, meaning in fixed_words().items():
        for other, its in fixed_words().items():
            assert meaning == its or distance(sounds[one], sounds[other]) >= pair.distance


@pytest.mark.parametrize(("one", "other"), [("seal", "seat"), ("fit", "feet"), ("gap", "cap"), ("pin", "bin")])
def test_words_one_sound_apart_are_closer_than_any_of_these(one: str, other: str) -> None:
    found = closest(sounds_of([one, other]), {one: one, other: other})
    assert 0 < found.distance < closest_fixed().distance


def test_words_that_sound_the_same_are_not_apart_at_all() -> None:
    sounds = sounds_of(["root", "route"])
    assert distance(sounds["root"], sounds["route"]) == 0


@pytest.mark.parametrize(
    ("one", "other"), [("inboard shoe", "outboard shoe"), ("bore", "shaft"), ("thickness", "bore")]
)
def test_the_names_of_a_bearing_are_well_apart(one: str, other: str) -> None:
    sounds = sounds_of([one, other])
    assert distance(sounds[one], sounds[other]) > closest_fixed().distance
    assert distance(sounds[one], sounds[other]) == distance(sounds[other], sounds[one])


def test_a_digit_before_a_value_is_shown_up_exactly_when_no_value_stays_plausible() -> None:
    from fractions import Fraction

    for lower in (0, 1, 3, 9, 30):
        for upper in (5, 12, 45, 99, 450):
            held = (Fraction(lower), Fraction(upper))
            values = [Fraction(n, 4) for n in range(4 * lower, 4 * upper + 1)] if lower <= upper else []
            for digit in range(1, 10):
                said = [Fraction(f"{digit}{int(v)}") + v % 1 for v in values]
                said += [digit + v for v in values if v < 1]  # the value said from its point on
                caught = not any(lower <= value <= upper for value in said)
                if lower < upper:
                    assert digit_makes_implausible(digit, held, held) == caught, (digit, held)
    assert not digit_makes_implausible(4, (Fraction(1), Fraction(2)), None)


def test_the_states_listened_in_cover_every_group_and_characteristic() -> None:
    plan = load(SHIPPED[-1].read_text(encoding="utf-8"))
    asked = {(one.mode, one.position, one.characteristics) for one in listening_states(plan)}
    for group, _ in plan.group_spoken:
        part = plan.positions_of(group)[0].id
        for one in plan.characteristics_at(part):
            assert {("open", part, (one.id,)), ("answer", part, (one.id,))} <= asked


# --- show and schema


def test_show_prints_every_reading_in_order_with_words_limits_and_whose_they_are(tmp_path: Path) -> None:
    done = plan_command("show", written(tmp_path))
    lines = done.stdout.splitlines()
    first = next(at for at, line in enumerate(lines) if '"housing depth"' in line)
    assert done.returncode == 0 and "2 digits after the point" in lines[first]
    assert "4.00 to 4.50 mm; invented, plan author" in lines[first + 1]
    assert '"housing width"' in lines[first + 2] and "no limits stated" in lines[first + 3]
    assert '"rust", light or heavy' in done.stdout


def test_show_tells_what_share_of_a_tolerance_the_gauge_can_call_conforming_and_what_comes_first() -> None:
    done = plan_command("show", ROOT / "capture" / "plans" / "tilting-pad-thrust-bearing.toml")
    plan = load((ROOT / "capture" / "plans" / "tilting-pad-thrust-bearing.toml").read_text(encoding="utf-8"))
    assert "per cent of the tolerance conforming" in done.stdout
    assert done.stdout.index(plan.cautions[0]) < done.stdout.index('"outboard shoe one thickness"')
    assert "shim to add" in done.stdout and plan.revision in done.stdout
    assert sum(f'"{one.spoken} ' in done.stdout for one in plan.positions) == len(plan.positions)


def test_a_plan_that_is_wrong_is_not_shown(tmp_path: Path) -> None:
    done = plan_command("show", written(tmp_path, ('lower = "4.00"', 'lower = "5.00"')))
    assert done.returncode == 10 and "5.00" in done.stderr and done.stdout == ""


def test_the_schema_printed_takes_a_shipped_plan_and_refuses_an_unknown_key() -> None:
    import tomllib

    done = plan_command("schema")
    check = jsonschema.Draft202012Validator(json.loads(done.stdout))
    data = tomllib.loads(SHIPPED[0].read_text(encoding="utf-8"))
    assert check.is_valid(data)
    assert not check.is_valid({**data, "colour": "red"})


# --- new

ANSWERS = [
    "Guide bearing",
    "unit 2",
    "inch",
    "outboard shoe",
    "3",
    "shoe thickness",
    "thickness",
    "in",
    "3",
    "no",
    "1.246",
    "1.254",
    "invented here",
    "plan author",
    "no",
    "no",
    "1.255",
    "nonconforming above",
]


def test_a_new_plan_passes_the_check_and_holds_what_was_answered(tmp_path: Path) -> None:
    file = tmp_path / "new.toml"
    done = plan_command("new", file, answers="\n".join(ANSWERS) + "\n")
    assert done.returncode == 0, done.stderr
    assert plan_command("check", file).returncode == 0
    plan = load(file.read_text(encoding="utf-8"))
    (one,) = plan.characteristics
    assert one.limits is not None
    assert (one.limits.lower_text, one.limits.upper_text, one.limits.source) == ("1.246", "1.254", "invented here")
    assert [each.id for each in plan.positions] == ["outboard-shoe-1", "outboard-shoe-2", "outboard-shoe-3"]
    assert plan.examples[0].verdict == "nonconforming above"


def test_wrong_answers_are_asked_again_with_the_reason(tmp_path: Path) -> None:
    answers = list(ANSWERS)
    answers.insert(answers.index("outboard shoe"), "stand by")
    answers.insert(answers.index("thickness"), "for")  # sounds like the digit
    answers.insert(answers.index("1.246"), "1,246")
    answers.insert(answers.index("1.254"), "1.2")
    answers.insert(answers.index("1.255"), "1.250")
    answers.insert(answers.index("1.255"), "nonconforming above")
    file = tmp_path / "new.toml"
    done = plan_command("new", file, answers="\n".join(answers) + "\n")
    assert done.returncode == 0, done.stdout + done.stderr
    for said in ("control word", "too much like 'four'", "'1,246'", "below the lower limit", "1.250 is conforming"):
        assert said in done.stdout, said
    assert load(file.read_text(encoding="utf-8")).characteristics[0].spoken == "thickness"


def test_a_new_plan_never_overwrites_a_file(tmp_path: Path) -> None:
    file = written(tmp_path)
    done = plan_command("new", file, answers="\n".join(ANSWERS))
    assert done.returncode == 2 and "small.toml" in done.stderr and len(done.stderr.splitlines()) == 1
    assert file.read_text(encoding="utf-8") == PLAN


def test_answers_that_end_early_write_nothing_and_name_the_question(tmp_path: Path) -> None:
    file = tmp_path / "new.toml"
    done = plan_command("new", file, answers="\n".join(ANSWERS[:5]) + "\n")
    assert done.returncode == 2 and "What is read there" in done.stderr and not file.exists()
