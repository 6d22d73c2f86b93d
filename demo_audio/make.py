"""Make the demo shift's sound and pictures again from shift.toml.

    python -m demo_audio.make all       every clip and picture (or: sound, pictures)
    python -m demo_audio.make check     what shift.toml, plan.toml and the files say agrees

hear.py beside it says how well each clip is heard.

Needs flite, espeak-ng and zint (apt), and numpy, opencv, soundfile, segno, python-barcode (pip). README.md says more.
"""

from __future__ import annotations

import argparse
import sys
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import soundfile  # type: ignore[import-untyped]  # ships no types

from demo_audio import shop_sound, tag_pictures

HERE = Path(__file__).resolve().parent
Step = Mapping[str, Any]


def read(name: str) -> dict[str, Any]:
    """Read one of the TOML files beside this program."""
    return tomllib.loads((HERE / name).read_text(encoding="utf-8"))


def voices(shift: Mapping[str, Any]) -> dict[str, shop_sound.Voice]:
    """Return the voices the shift names, by id."""
    wanted = ("id", "engine", "name", "stretch", "wpm", "pitch")
    return {v["id"]: shop_sound.Voice(**{k: v[k] for k in wanted if k in v}) for v in shift["voice"]}


def make_sound(shift: Mapping[str, Any]) -> Iterator[Path]:
    """Write every clip; yield its path."""
    known = voices(shift)
    for step in shift["step"]:
        if step["kind"] == "say":
            text = step.get("speak", step["words"])
            voice = known[step["voice"]]
            voice = replace(voice, stretch=step.get("stretch", voice.stretch))
            key = f"{step['file']} take {step.get('take', 1)}"
            clip = shop_sound.speech_clip(voice, text, step.get("noise_db"), key)
        elif step["kind"] == "noise":
            clip = shop_sound.noise_clip(step["sound"], step["seconds"], step["level_db"], step["file"])
        else:
            continue
        shop_sound.write(clip, HERE / step["file"])
        yield HERE / step["file"]


def make_pictures(shift: Mapping[str, Any]) -> Iterator[Path]:
    """Write both frames of every view; yield their paths."""
    for step in shift["step"]:
        if step["kind"] not in ("tag", "tags"):
            continue
        texts = step.get("texts") or [step["text"]]
        symbologies = step.get("symbologies") or [step["symbology"]]
        labels = [tag_pictures.label_for(t, s) for t, s in zip(texts, symbologies, strict=True)]
        size = (1280, 720) if "Code 128" in symbologies else (640, 480)
        frames = tag_pictures.photograph(labels, step["spoil"], step["frames"][0], size)
        for frame, name in zip(frames, step["frames"], strict=True):
            tag_pictures.write(frame, HERE / name)
            yield HERE / name


def _files(step: Step) -> list[str]:
    return [step["file"]] if "file" in step else list(step.get("frames", []))


def check(shift: Mapping[str, Any], plan: Mapping[str, Any]) -> Iterator[str]:
    """Yield one line for each thing that does not agree."""
    for number, step in enumerate(shift["step"], start=1):
        for name in _files(step):
            path = HERE / name
            if not path.is_file():
                yield f"Step {number}: {name} is missing; run python -m demo_audio.make all"
            elif path.suffix == ".flac":
                info = soundfile.info(path)
                if (info.samplerate, info.channels, info.subtype) != (16_000, 1, "PCM_16"):
                    yield f"Step {number}: {name} is not 16 kHz mono, 16 bit; run python -m demo_audio.make sound"
        if "speak" in step and step["speak"].replace(",", "") != step["words"]:
            yield f"Step {number}: speak is not words with pauses; write the same words in both"
        for text in step.get("texts", [step["text"]] if "text" in step else []):
            yield from (f"Step {number}: {line}" for line in _check_tag(text))
    named = {name for step in shift["step"] for name in _files(step)}
    for path in sorted([*HERE.glob("audio/*"), *HERE.glob("tags/*")]):
        if str(path.relative_to(HERE)) not in named:
            yield f"{path.relative_to(HERE)} belongs to no step; delete it"
    yield from _check_outcome(shift, plan)


def _check_tag(text: str) -> Iterator[str]:
    from stdnum.iso7064 import mod_37_36

    _, kind, name, character = text.split(":")
    right = mod_37_36.calc_check_digit(kind + name.replace("-", ""))
    if character != right:
        yield f"tag {text!r} has check character {character!r}; it must be {right!r}"


def _check_outcome(shift: Mapping[str, Any], plan: Mapping[str, Any]) -> Iterator[str]:
    """Work out every expected verdict and clearance from plan and values, apart from the program under test."""
    values = {(e["position"], e["characteristic"]): e for e in shift["expected_reading"]}
    limits = {c["id"]: c.get("limits") for c in plan["characteristic"]}
    for (position, characteristic), expected in values.items():
        bounds = limits[characteristic]
        wanted = _verdict(Fraction(expected["value"]), bounds["lower"], bounds["upper"]) if bounds else "no limits"
        if expected["verdict"] != wanted:
            yield f"Expected verdict at {position} is {expected['verdict']!r}; the plan gives {wanted!r}"
    rule = plan["derived"][0]
    for expected in shift["expected_derived"]:
        bore = Fraction(values[expected["position"], rule["inputs"]["bore"]]["value"])
        shaft = Fraction(values[expected["position"], rule["inputs"]["shaft"]]["value"])
        rates = (shaft * Fraction(rule["limits"][k]) for k in ("lower_rate", "upper_rate"))
        wanted = _verdict(bore - shaft, *rates)
        if Fraction(expected["value"]) != bore - shaft or expected["verdict"] != wanted:
            yield f"Expected clearance at {expected['position']}: the values give {bore - shaft} and {wanted!r}"
    stored = sum(s["expect"] == "stored" for s in shift["step"])
    counts = shift["expected_counts"]
    if stored != counts["reading-taken"] + counts["finding-noted"]:
        yield f"{stored} steps expect 'stored'; the counts say otherwise"


def _verdict(value: Fraction, lower: str | Fraction, upper: str | Fraction) -> str:
    if value < Fraction(lower):
        return "nonconforming below"
    return "nonconforming above" if value > Fraction(upper) else "conforming"


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["all", "sound", "pictures", "check"])
    what = parser.parse_args(arguments).what
    shift, plan = read("shift.toml"), read("plan.toml")
    try:
        if what in ("all", "sound"):
            print(f"{len(list(make_sound(shift)))} clips")
        if what in ("all", "pictures"):
            print(f"{len(list(make_pictures(shift)))} pictures")
    except (shop_sound.SoundError, tag_pictures.PictureError) as error:
        print(error, file=sys.stderr)
        return 1
    wrong = list(check(shift, plan))
    print("\n".join(wrong) if wrong else "Shift, plan and files agree")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
