"""`benchcall run`: the bench with its real devices, or with files and the keyboard in their place.

A device that is missing or lost is said and shown, and the bench goes on without it: no microphone means
typing, no camera means calling the position, no speaker means reading the screen. The log alone is not optional.
"""

from __future__ import annotations

import datetime
import queue
import signal
import sys
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TextIO

import numpy as np

from capture.app import FRAME, Bench, ClipStore, Speaker, Step
from capture.dialogue import Fault
from capture.earlier import kept_earlier
from capture.errors import CaptureError, UploadError
from capture.keep import jobs, open_log, read_enrolment
from capture.session import Session, restore
from capture.settings import Settings
from capture.speech.endpoint import Endpointer, EndpointSettings
from capture.speech.recogniser import open_recogniser
from capture.speech.vad import SileroVad
from capture.speech.voice import EspeakVoice, tone
from capture.speech.words import RATE_HZ, Samples
from capture.upload import open_client, upload_pending
from hardware.camera import Camera
from hardware.devices import open_camera, open_microphone, open_pedal, open_speaker
from hardware.errors import HardwareError
from hardware.microphone import Microphone
from hardware.pedal import Pedal

CAMERA_EVERY = 8
"""Frames between two looks at the camera: about four a second."""
UPLOAD_EVERY_S = 15.0
LONGEST_UPLOAD_WAIT_S = 600.0
REOPEN_EVERY_S = 5.0
SYNCHRONISED = Path("/run/systemd/timesync/synchronized")


def system_clock() -> tuple[str, bool]:
    """Return now (ISO 8601 UTC) and whether the system says its clock was set from the network."""
    now = datetime.datetime.now(datetime.UTC)
    return now.isoformat(timespec="milliseconds").replace("+00:00", "Z"), SYNCHRONISED.exists()


def print_step(step: Step) -> None:
    """Print a step as one line."""
    name = {"said": "says", "shown": "shows"}.get(step.kind, step.kind)
    print(f"{int(step.at_s // 60):4d}:{step.at_s % 60:04.1f}  {name:<10} {step.text}", flush=True)


class Silence:
    """Keeps the bench's time going when there is no microphone: one silent frame every 32 ms."""

    ended = False

    def __init__(self, wait: Callable[[float], None] = time.sleep) -> None:
        self._wait = wait

    def read(self, timeout_s: float) -> Samples | None:
        """Wait one frame's length and return silence."""
        self._wait(FRAME / RATE_HZ)
        return np.zeros(FRAME, dtype=np.int16)


class NoSpeaker:
    """Stands for a loudspeaker that is not there; what is said is on the screen all the same."""

    is_playing = False

    def play(self, samples: Samples) -> None:
        """Say nothing."""


def read_lines(source: TextIO) -> queue.Queue[str]:
    """Read lines in a thread of their own, so that the loop never waits for the keyboard."""
    lines: queue.Queue[str] = queue.Queue()

    def read() -> None:
        for line in source:
            lines.put(line.strip())

    threading.Thread(target=read, name="keyboard", daemon=True).start()
    return lines


def upload_now_and_then(settings: Settings, stop: threading.Event) -> None:
    """Send what is pending until told to stop; waits longer after each failure and says only what changed."""
    wait_s, last_said = UPLOAD_EVERY_S, ""
    while not stop.wait(wait_s):
        try:
            url, token = read_enrolment(settings)
            with open_log(settings) as log, open_client(url, token) as client:
                done = upload_pending(log, client)
            said = f"upload: the server holds events 1 to {done.acknowledged}"
            wait_s = UPLOAD_EVERY_S
        except CaptureError as error:
            said = f"upload: {error}"
            wait_s = min(wait_s * 2, LONGEST_UPLOAD_WAIT_S)
        if said != last_said:
            print(said, flush=True)
            last_said = said


class Live:
    """The bench with whatever devices could be opened; `turn` does one frame's worth of work."""

    def __init__(self, settings: Settings, bench: Bench, microphone: Microphone | Silence) -> None:
        self._settings = settings
        self._bench = bench
        self.microphone = microphone
        self.camera: Camera | None = None
        self.pedal: Pedal | None = None
        self._next_open_s = 0.0
        self._foot_is_down = False

    def fault(self, error: HardwareError) -> None:
        """Say a device's fault in few words and print the whole of it."""
        print(f"benchcall: {error}", file=sys.stderr, flush=True)
        self._bench.give(Fault(error.spoken, self._bench.now_s))

    def turn(self) -> bool:
        """Take one frame and look at camera and pedal; False when a file in place of the microphone has ended."""
        frame = self._read()
        if frame is not None:
            self._bench.hear(frame)
            if self.camera is not None and self._bench.frames % CAMERA_EVERY == 0:
                self._look()
        if self.pedal is not None:
            self._tread()
        return not self.microphone.ended

    def _read(self) -> Samples | None:
        if isinstance(self.microphone, Silence) and self._settings.microphone != "none":
            self._reopen()
        try:
            return self.microphone.read(0.5)
        except HardwareError as error:
            if not isinstance(self.microphone, Silence):
                self.microphone.close()
            self.microphone = Silence()
            self._next_open_s = self._bench.now_s + REOPEN_EVERY_S
            self.fault(error)
            return None

    def _reopen(self) -> None:
        """Try a lost microphone again now and then."""
        if self._bench.now_s < self._next_open_s:
            return
        self._next_open_s = self._bench.now_s + REOPEN_EVERY_S
        try:
            self.microphone = open_microphone(self._settings.microphone)
            self._bench.give(Fault("Microphone is back.", self._bench.now_s))
        except HardwareError:
            return  # said when it was lost; still missing

    def _look(self) -> None:
        assert self.camera is not None
        try:
            picture = self.camera.frame()
        except HardwareError as error:
            self.camera.close()
            self.camera = None
            self.fault(error)
            return
        if picture is not None:
            self._bench.see(picture)

    def _tread(self) -> None:
        """Pass on what the foot does. A pedal that cannot tell when it is down presses in no time."""
        assert self.pedal is not None
        try:
            is_down, event = self.pedal.is_down, self.pedal.read(0)
        except HardwareError as error:
            self.pedal.close()
            self.pedal = None
            self.fault(error)
            return
        if is_down or (event is not None and not self._foot_is_down):
            self._bench.pedal_down()
            self._foot_is_down = True
        if event is not None:
            self._bench.pedal_up(was_long=event.kind == "long press")
            self._foot_is_down = False


def run(settings: Settings) -> int:
    """Run the bench until it is stopped (Ctrl-C, SIGTERM) or its sound file ends. Returns 0."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    with ExitStack() as open_things:
        log = open_things.enter_context(open_log(settings))
        session = restore(Session(plans=jobs(settings), earlier=kept_earlier(settings)), tuple(log.events()))
        recogniser = open_recogniser(settings.engine, settings.model_folder)
        open_things.callback(recogniser.close)
        faults: list[HardwareError] = []
        speaker: Speaker = NoSpeaker()
        try:
            speaker = open_things.enter_context(open_speaker(settings.speaker))
        except HardwareError as error:
            faults.append(error)
        bench = Bench(
            session=session,
            log=log,
            clips=ClipStore(settings.data / "clips"),
            recogniser=recogniser,
            endpointer=Endpointer(SileroVad(), EndpointSettings(trailing_silence_s=float(settings.ending_silence_s))),
            voice=EspeakVoice(rate_wpm=settings.words_per_minute),
            speaker=speaker,
            clock=system_clock,
            watch=print_step,
        )
        live = Live(settings, bench, Silence())
        try:
            if settings.microphone != "none":
                live.microphone = open_things.enter_context(open_microphone(settings.microphone))
        except HardwareError as error:
            faults.append(error)
        try:
            live.camera = open_things.enter_context(open_camera(settings.camera))
        except HardwareError as error:
            faults.append(error)
        try:
            live.pedal = open_things.enter_context(open_pedal(settings.pedal))
        except HardwareError as error:
            faults.append(error)
        lines: queue.Queue[str] = queue.Queue() if settings.pedal == "keyboard" else read_lines(sys.stdin)
        if _is_enrolled(settings):
            sender = threading.Thread(
                target=upload_now_and_then, args=(settings, stop), name="upload", daemon=True
            )
            sender.start()
        speaker.play(tone("ready"))
        for fault in faults:
            live.fault(fault)
        greeting = _greeting(settings, bench)
        while not stop.is_set() and live.turn():
            if greeting and not bench.is_speaking:  # before that a call would be taken for the bench's own voice
                print(greeting, flush=True)
                greeting = ""
            while not lines.empty():
                bench.type(lines.get())  # an empty line does nothing; the pedal "keyboard" takes Enter as a press
        bench.finish()
    print("benchcall: stopped; nothing that was stored is lost")
    return 0


def _is_enrolled(settings: Settings) -> bool:
    try:
        read_enrolment(settings)
    except UploadError:
        return False
    return True


def _greeting(settings: Settings, bench: Bench) -> str:
    session = bench.session
    resumed = f"job {session.job} goes on" if session.job else "no job is open: show a badge, then a job tag"
    return f"Bench {settings.bench} is ready; {resumed}. Speak, show tags, or type what you would say."
