"""How well the default engine hears: the shared speech pack, clean and in shop noise, beside what was measured before.

Run by `make bench`, or alone: `python -m tests.speech.bench_hearing [--every N]`. Sentence accuracy is the pack's own
scorer's "SA=m": exact words with spellings of one meaning folded. Accepted means accepted by `trust.judge` under the
default floors; those floors were tuned on this very pack (its README allows that), so these figures are not proof
for other voices.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.speech.trust import judge
from capture.speech.vad import FRAME, SileroVad
from capture.speech.voice import EspeakVoice
from capture.speech.whisper import WhisperEngine
from capture.speech.words import RATE_HZ, Floors, Hearing, Samples
from tests.speech.support import SHARED_SPEECH, SmallGrammar, digit_grammar, folded, job_grammar, utterance

HUMAN = ("sc_digit", "sc_concat4", "sc_tight4", "fsdd_digit", "fsdd_concat4", "vt_connected")
LEVELS_DB: tuple[float | None, ...] = (None, 10.0)
NOISE_CLIPS = 60
GOALS = {
    "hearing.clean.sentence_accuracy": ">= 0.979",
    "hearing.10db.sentence_accuracy": ">= 0.885",
    "hearing.outside_accepted": "<= 0",
    "hearing.meaning_s_median": "<= 0.3",
}
# ../shared/speech/FINDINGS.md: exact search, shared half.
BEFORE = {
    "clean.sentence_accuracy": 0.979,
    "clean.asked_again": 0.129,
    "clean.wrong_accepted": 0.0026,
    "10db.sentence_accuracy": 0.885,
    "10db.asked_again": 0.315,
    "10db.wrong_accepted": 0.016,
    "outside_accepted": 0.0,
    "meaning_s_median": 0.29,
    "meaning_s_p90": 0.40,
    "listening_core_share": 0.06,
}
SYNTHETIC_VOICES = ("en-us-nyc", "en-gb-x-rp", "en-gb-scotland", "en-us+f4")
SYNTHETIC_CALLS = (
    "outboard shoe three one point two four eight",
    "inboard shoe seven zero point nine seven",
    "thrust collar forty nine thou",
    "shaft shim three and a half thou",
    "lock nut minus zero point zero zero two",
    "correction six point zero five zero",
    "inboard seal ring bore four point one six two",
    "outboard seal ring bore",
    "negative",
    "say again",
)


@dataclass(frozen=True, slots=True)
class Heard:
    """One utterance heard: what was said ("" outside the grammar), what was made of it, and the seconds it took.

    `took_s` by the clock, `cpu_s` of processor: on a busy machine only the latter says what the engine needs.
    """

    id: str
    group: str
    ref: str
    hearing: Hearing
    is_accepted: bool
    took_s: float
    cpu_s: float

    @property
    def is_right(self) -> bool:
        return folded(self.hearing.words) == folded(self.ref.split())


def _module(name: str) -> ModuleType:
    """One of the pack's own programs."""
    spec = importlib.util.spec_from_file_location(f"shared_{name}", SHARED_SPEECH / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _int16(sound: NDArray[np.float32]) -> Samples:
    return np.asarray(np.clip(np.round(sound * 32768.0), -32768, 32767), dtype=np.int16)


def _hear(engine: WhisperEngine, entry: dict[str, Any], sound: Samples, grammar: SmallGrammar) -> Heard:
    began, cpu_began = time.perf_counter(), time.process_time()
    hearing = engine.recognise(utterance(sound), grammar)
    took_s, cpu_s = time.perf_counter() - began, time.process_time() - cpu_began
    accepted = judge(hearing, Floors(), grammar) is None
    return Heard(entry["id"], entry["set"], entry["ref"], hearing, accepted, took_s, cpu_s)


def hear_pack(engine: WhisperEngine, snr_db: float | None, every: int = 1) -> list[Heard]:
    """Hear the pack's recordings, at one level of its own noise."""
    mixer = _module("mix")
    grammars = {
        "job": job_grammar(),
        "jobA": job_grammar(),
        "digit1": digit_grammar(1),
        "digits4": digit_grammar(4),
        "digits": digit_grammar(),
    }
    entries = [json.loads(line) for line in (SHARED_SPEECH / "manifest.jsonl").read_text("utf-8").splitlines()]
    heard = []
    for entry in entries[::every]:
        sound = mixer.mix(mixer.load(SHARED_SPEECH / entry["file"]), snr_db, key=entry["id"], seed=7)
        heard.append(_hear(engine, entry, _int16(sound), grammars[entry["grammar"]]))
    return heard


def hear_noise(engine: WhisperEngine) -> list[Heard]:
    """Hear the pack's noise alone, and silence, under the job grammar."""
    mixer, grammar = _module("mix"), job_grammar()
    heard = []
    for number in range(NOISE_CLIPS):
        sound = 0.1 * mixer.noise(int(RATE_HZ * 2.0), f"noise/{number}", 7) / 3 * (number % 10 > 0)
        entry = {"id": f"noise/{number}", "set": "noise", "ref": ""}
        heard.append(_hear(engine, entry, _int16(sound), grammar))
    return heard


def hear_synthetic(engine: WhisperEngine) -> list[Heard]:
    """Hear calls spoken by espeak-ng: what every machine can measure."""
    grammar = job_grammar()
    heard = []
    for voice in SYNTHETIC_VOICES:
        speaker = EspeakVoice(voice, rate_wpm=150)
        for call in SYNTHETIC_CALLS:
            entry = {"id": f"{voice}/{call}", "set": "synthetic", "ref": call}
            heard.append(_hear(engine, entry, speaker.speak(call), grammar))
    return heard


def sentence_accuracy(heard: Sequence[Heard]) -> float:
    """Return "SA=m" over the utterances inside the grammar, by the pack's own scorer."""
    with tempfile.TemporaryDirectory() as folder:
        manifest, hypotheses = Path(folder) / "manifest.jsonl", Path(folder) / "hypotheses.jsonl"
        _write(manifest, ({"id": one.id, "set": one.group, "ref": one.ref} for one in heard))
        _write(hypotheses, ({"id": one.id, "hyp": one.hearing.text} for one in heard))
        command = [sys.executable, str(SHARED_SPEECH / "score.py"), str(hypotheses), "--manifest", str(manifest)]
        scored = subprocess.run([*command, "--json"], capture_output=True, text=True, check=True)
    return float(json.loads(scored.stdout)["ALL in-grammar"]["sam"])


def _write(path: Path, rows: Iterable[dict[str, str]]) -> None:
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")


def rates(name: str, heard: Sequence[Heard]) -> dict[str, float]:
    """Shares of the utterances inside the grammar: asked again, and accepted with another meaning."""
    inside = [one for one in heard if one.ref]
    wrong = [one for one in inside if one.is_accepted and not one.is_right]
    return {
        f"hearing.{name}.asked_again": sum(not one.is_accepted for one in inside) / len(inside),
        f"hearing.{name}.wrong_accepted": len(wrong) / len(inside),
    }


def listening_share() -> float:
    """Share of one core that the voice activity takes while it listens to noise."""
    vad = SileroVad()
    noise = np.random.default_rng(1).integers(-2000, 2000, size=20 * RATE_HZ).astype(np.int16)
    began = time.process_time()
    for begin in range(0, len(noise) - FRAME + 1, FRAME):
        vad(noise[begin : begin + FRAME])
    return (time.process_time() - began) / 20.0


def figures(every: int = 1) -> dict[str, float]:
    """Return the figures by name; shares are fractions, times are seconds."""
    engine = WhisperEngine()
    for grammar in (job_grammar(), digit_grammar(1)):
        engine.recognise(utterance(np.zeros(RATE_HZ, dtype=np.int16)), grammar)
    found: dict[str, float] = {"hearing.listening_core_share": listening_share()}
    heard = hear_synthetic(engine)
    found["hearing.synthetic.sentence_accuracy"] = sum(one.is_right for one in heard) / len(heard)
    found |= rates("synthetic", heard)
    if (SHARED_SPEECH / "manifest.jsonl").is_file():
        heard = []
        for snr_db in LEVELS_DB:
            name = "clean" if snr_db is None else f"{snr_db:.0f}db"
            level = hear_pack(engine, snr_db, every)
            found[f"hearing.{name}.sentence_accuracy"] = sentence_accuracy(level)
            found |= rates(name, level)
            found |= rates(f"human.{name}", [one for one in level if one.group in HUMAN])
            if snr_db is None:
                outside = [one for one in [*level, *hear_noise(engine)] if not one.ref]
                found["hearing.outside_accepted"] = float(sum(one.is_accepted for one in outside))
                found["hearing.outside_heard"] = float(len(outside))
            _tell(name, level)
            heard += level
    engine.close()
    times = [one.took_s for one in heard]
    found["hearing.meaning_s_median"] = float(np.median(times))
    found["hearing.meaning_s_p90"] = float(np.quantile(times, 0.9))
    found["hearing.meaning_cpu_s_median"] = float(np.median([one.cpu_s for one in heard]))
    found["hearing.meaning_cpu_s_p90"] = float(np.quantile([one.cpu_s for one in heard], 0.9))
    _compare(found)
    return found


def _tell(name: str, heard: Sequence[Heard]) -> None:
    """List what was accepted and wrong, and what was accepted though outside."""
    for one in heard:
        if one.is_accepted and not one.is_right:
            figures_of = f"margin {one.hearing.margin:.2f}, score a word {one.hearing.score_per_word:.2f}"
            said = repr(one.ref) if one.ref else "something outside"
            print(f"accepted and wrong, {name}: {one.id}: {said} as {one.hearing.text!r}, {figures_of}")


def _compare(found: dict[str, float]) -> None:
    print(f"{'figure':<36}{'ours':>9}{'before':>9}")
    for name, value in found.items():
        before = BEFORE.get(name.removeprefix("hearing."))
        print(f"{name:<36}{value:>9.4f}{'' if before is None else format(before, '9.4f'):>9}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--every", type=int, default=1, help="hear only every Nth recording of the pack")
    figures(parser.parse_args().every)
