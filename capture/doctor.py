"""`benchcall doctor`: which parts of this bench are usable, and what to do about those that are not."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from capture.errors import CaptureError
from capture.keep import jobs, open_log, read_enrolment
from capture.live import system_clock
from capture.settings import Settings
from capture.speech.recogniser import EngineReport, describe_engines, open_recogniser
from hardware.devices import open_camera, open_microphone, open_pedal, open_speaker
from hardware.errors import HardwareError

LEAST_FREE_BYTES = 200_000_000


class Device(Protocol):
    """What every opened device has."""

    @property
    def name(self) -> str:
        """Name for messages."""

    def close(self) -> None:
        """Let go of it."""


@dataclass(frozen=True, slots=True)
class Check:
    """One part: `is_usable` None when it was switched off or is not set up on purpose."""

    part: str
    is_usable: bool | None
    found: str


def examine(settings: Settings) -> list[Check]:
    """Try every part once, for real."""
    return [
        *_devices(settings),
        *_engines(settings),
        _voice(settings),
        _store(settings),
        _disk(settings),
        _jobs(settings),
        _clock(),
        _server(settings),
    ]


def print_checks(checks: Iterable[Check]) -> bool:
    """Print one line a part; return whether all that is wanted is usable."""
    checks = list(checks)
    for check in checks:
        mark = {True: "usable", False: "NOT USABLE", None: "not in use"}[check.is_usable]
        print(f"{check.part:<12} {mark:<11} {check.found}")
    return all(check.is_usable is not False for check in checks)


def _devices(settings: Settings) -> list[Check]:
    openers: dict[str, tuple[Callable[[str], Device], str]] = {
        "microphone": (open_microphone, settings.microphone),
        "speaker": (open_speaker, settings.speaker),
        "camera": (open_camera, settings.camera),
        "pedal": (open_pedal, settings.pedal),
    }
    return [_device(part, opener, name) for part, (opener, name) in openers.items()]


def _device(part: str, opener: Callable[[str], Device], name: str) -> Check:
    if name == "none":
        return Check(part, None, "switched off by the setting 'none'")
    try:
        device = opener(name)
    except HardwareError as error:
        return Check(part, False, str(error))
    try:
        return Check(part, True, device.name)
    finally:
        device.close()


def _engines(settings: Settings) -> list[Check]:
    wanted = {"auto": ("whisper", "vosk")}.get(settings.engine, (settings.engine,))
    reports = describe_engines()
    one_is_usable = any(report.usable for report in reports if report.engine in wanted)
    checks = []
    for report in reports:
        is_needed = report.engine in wanted and (report.usable or not one_is_usable)
        checks.append(Check(report.engine, report.usable if is_needed else None, _model_text(report)))
    return checks


def _model_text(report: EngineReport) -> str:
    if report.usable:
        return f"model in {report.model}"
    return f"{report.advice} (looked in: {', '.join(report.looked_in)})"


def _voice(settings: Settings) -> Check:
    from capture.speech.voice import EspeakVoice

    try:
        sound = EspeakVoice(rate_wpm=settings.words_per_minute).speak("ready")
    except CaptureError as error:
        return Check("voice", False, str(error))
    return Check("voice", len(sound) > 0, "espeak-ng speaks")


def _store(settings: Settings) -> Check:
    try:
        with open_log(settings) as log:
            sequence, _ = log.verify()
    except CaptureError as error:
        return Check("log", False, str(error))
    return Check("log", True, f"{settings.data / 'events.db'}: {sequence} events, chain whole")


def _disk(settings: Settings) -> Check:
    folder = next(p for p in (settings.data, *settings.data.parents) if p.exists())
    free = shutil.disk_usage(folder).free
    text = f"{free // 1_000_000} MB free under {folder}"
    try:
        with tempfile.TemporaryFile(dir=folder) as file:
            file.write(b"benchcall")
    except OSError as error:
        return Check("disk", False, f"{folder} takes no file ({error.strerror}); mend it or give another with --data")
    if free < LEAST_FREE_BYTES:
        return Check("disk", False, f"{text}; make room, {LEAST_FREE_BYTES // 1_000_000} MB at least")
    return Check("disk", True, text)


def _jobs(settings: Settings) -> Check:
    try:
        known = jobs(settings)
    except Exception as error:  # a plan of any kind of badness must not stop the doctor
        return Check("jobs", False, str(error))
    if not known:
        return Check("jobs", None, "none on this bench; add one: benchcall job NAME PLAN.toml")
    return Check("jobs", True, ", ".join(known))


def _clock() -> Check:
    now, synchronised = system_clock()
    if synchronised:
        return Check("clock", True, f"{now}, set from the network")
    return Check("clock", True, f"{now}, not known to be set from the network; events say so, order is by sequence")


def _server(settings: Settings) -> Check:
    import httpx

    try:
        url, _ = read_enrolment(settings)
    except CaptureError as error:
        return Check("server", None, str(error))
    try:
        answer = httpx.get(f"{url}/api/v1/health", timeout=5)
    except (httpx.HTTPError, httpx.InvalidURL) as error:
        return Check("server", False, f"{url} does not answer ({error}); readings stay on the bench meanwhile")
    if answer.status_code != 200:
        return Check("server", False, f"{url} answered {answer.status_code}; check the address")
    return Check("server", True, url)


def print_models(settings: Settings, engine: str | None) -> int:
    """The `model` command: what was looked for and found; with `engine`, load it to check it."""
    for report in describe_engines():
        print(f"{report.engine:<8} {'usable' if report.usable else 'not here':<9} {_model_text(report)}")
    if engine is not None:
        folder = {"vosk": settings.vosk_model, "whisper": settings.whisper_model}.get(engine, "")
        recogniser = open_recogniser(engine, Path(folder) if folder else None)
        print(f"{recogniser.name} loads {recogniser.model}")
        recogniser.close()
    return 0
