"""A sound card without hardware: a private PulseAudio daemon with two null sinks, met through ALSA and PortAudio.

    with VirtualSound.start(folder) as sound:
        with sound.environment():
            ...                            # PortAudio now finds "benchcall-mic" and "benchcall-speaker"
            sound.say(samples)             # into the microphone's sink, as if spoken to the bench

What is played into the sink `bench_mic` is what the microphone hears (its monitor); what the bench plays goes
to the sink `bench_speaker`, and `SpeakerTap` records that sink's monitor. Only the daemon started here is
stopped. Needs the Debian packages pulseaudio, pulseaudio-utils, libasound2-plugins and libportaudio2.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import threading
import wave
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.int16]

MICROPHONE = "benchcall-mic"
SPEAKER = "benchcall-speaker"

_NEEDED = {"pulseaudio": "pulseaudio", "paplay": "pulseaudio-utils", "pactl": "pulseaudio-utils"}

_ALSA = """\
</usr/share/alsa/alsa.conf>
pcm.!default {{ type pulse device "bench_mic.monitor" hint.description "virtual" }}
pcm.{microphone} {{ type pulse device "bench_mic.monitor" hint.description "virtual microphone" }}
pcm.{speaker} {{ type pulse device "bench_speaker" hint.description "virtual speaker" }}
ctl.!default {{ type pulse }}
"""


def missing() -> str | None:
    """Return one line naming what a virtual sound card needs and lacks here, or None when all is there."""
    packages = sorted({package for command, package in _NEEDED.items() if shutil.which(command) is None})
    if not list(Path("/usr/lib").glob("*/alsa-lib/libasound_module_pcm_pulse.so")):
        packages.append("libasound2-plugins")
    return f"no virtual sound card: apt install {' '.join(packages)}" if packages else None


class VirtualSound:
    """A running daemon; see the module. Made by `start`."""

    def __init__(self, folder: Path, daemon: subprocess.Popen[bytes]) -> None:
        self._folder = folder
        self._daemon = daemon
        self._awake: list[subprocess.Popen[bytes]] = []
        self.variables = {
            "PULSE_SERVER": f"unix:{folder / 'socket'}",
            "PULSE_RUNTIME_PATH": str(folder / "run"),
            "XDG_RUNTIME_DIR": str(folder / "run"),
            "XDG_CONFIG_HOME": str(folder / "config"),
            "PULSE_COOKIE": str(folder / "cookie"),
            "ALSA_CONFIG_PATH": str(folder / "asound.conf"),
        }
        """Environment for any program that is to meet this sound card."""

    @classmethod
    def start(cls, folder: Path, rate_hz: int = 48_000) -> Self:
        """Start the daemon with its files in `folder` (short path: it holds a socket), sinks at `rate_hz`.

        Raises:
            RuntimeError: it did not come up within ten seconds; carries what it printed.
        """
        for name in ("run", "config"):
            (folder / name).mkdir(parents=True, exist_ok=True, mode=0o700)
        (folder / "asound.conf").write_text(_ALSA.format(microphone=MICROPHONE, speaker=SPEAKER))
        sink = f"module-null-sink rate={rate_hz} channels=1 channel_map=mono sink_name="
        script = [f"load-module module-native-protocol-unix auth-anonymous=1 socket={folder / 'socket'}"]
        script += [f"load-module {sink}bench_mic", f"load-module {sink}bench_speaker"]
        script += ["set-default-sink bench_speaker", "set-default-source bench_mic.monitor"]
        (folder / "start.pa").write_text("\n".join(script) + "\n")
        sound = cls(folder, None)  # type: ignore[arg-type]
        log = (folder / "log").open("wb")
        sound._daemon = subprocess.Popen(
            ["pulseaudio", "-n", "--daemonize=no", "--system=false", "--use-pid-file=no", "--exit-idle-time=-1"]
            + ["--disable-shm=yes", "--high-priority=no", "--realtime=no", f"--file={folder / 'start.pa'}"],
            env=os.environ | sound.variables,
            stdout=log,
            stderr=log,
        )
        log.close()
        try:
            sound._await_sinks()
            sound._keep_awake()
        except BaseException:
            sound.close()
            raise
        return sound

    def _await_sinks(self) -> None:
        pause = threading.Event()
        for _ in range(200):
            found = subprocess.run(
                ["pactl", "list", "short", "sinks"], env=os.environ | self.variables, capture_output=True, text=True
            )
            if "bench_mic" in found.stdout and "bench_speaker" in found.stdout:
                return
            if self._daemon.poll() is not None:
                break
            pause.wait(0.05)
        raise RuntimeError(f"pulseaudio did not come up: {(self._folder / 'log').read_text()[-2000:]}")

    def _keep_awake(self) -> None:
        """Hold both monitors open at low latency: an idle null sink wakes up to two seconds late."""
        for sink in ("bench_mic", "bench_speaker"):
            self._awake.append(self._parec(sink))
        for process in self._awake:
            assert process.stdout is not None
            process.stdout.read(2)
            threading.Thread(target=_drain, args=(process,), daemon=True).start()

    def _parec(self, sink: str, rate_hz: int = 16_000) -> subprocess.Popen[bytes]:
        command = ["parec", f"--device={sink}.monitor", "--format=s16le", "--channels=1", f"--rate={rate_hz}"]
        return subprocess.Popen(
            command + ["--latency-msec=20"], env=os.environ | self.variables, stdout=subprocess.PIPE
        )

    @contextmanager
    def environment(self) -> Iterator[None]:
        """Point this process's ALSA (and so PortAudio) at the virtual card, and back afterwards."""
        before = {name: os.environ.get(name) for name in self.variables}
        os.environ.update(self.variables)
        try:
            yield
        finally:
            for name, value in before.items():
                if value is None:
                    os.environ.pop(name, None)
                else:
                    os.environ[name] = value

    def say(self, samples: Samples, rate_hz: int = 16_000, sink: str = "bench_mic") -> None:
        """Play int16 mono samples into a sink and return when they were played to the end."""
        path = self._folder / "say.wav"
        write_wav(path, samples, rate_hz)
        self.play_file(path, sink)

    def play_file(self, path: Path, sink: str = "bench_mic") -> None:
        """Play a sound file into a sink with paplay and return when it was played to the end."""
        command = ["paplay", f"--device={sink}", str(path)]
        subprocess.run(command, env=os.environ | self.variables, check=True, timeout=120)

    @contextmanager
    def speaker_tap(self, rate_hz: int = 16_000) -> Iterator[SpeakerTap]:
        """Record what the bench plays, through parec and so independent of our own microphone code."""
        process = self._parec("bench_speaker", rate_hz)
        tap = SpeakerTap(process)
        try:
            tap.wait_for(1, timeout_s=10)
            yield tap
        finally:
            tap.close()

    def unplug_microphone(self) -> None:
        """Suspend the microphone's sink, so that nothing comes from its monitor any more."""
        self._suspend("1")

    def plug_in_microphone(self) -> None:
        """Undo `unplug_microphone`."""
        self._suspend("0")

    def _suspend(self, on: str) -> None:
        command = ["pactl", "suspend-sink", "bench_mic", on]
        subprocess.run(command, env=os.environ | self.variables, check=True, timeout=10)

    def close(self) -> None:
        """Stop the daemon that was started here; may be called twice."""
        while self._awake:
            _end(self._awake.pop())
        if self._daemon.poll() is None:
            self._daemon.send_signal(signal.SIGTERM)
            try:
                self._daemon.wait(5)
            except subprocess.TimeoutExpired:
                self._daemon.kill()
                self._daemon.wait(5)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class SpeakerTap:
    """What a sink's monitor gives, gathered by a thread."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        self._process = process
        self._data = bytearray()
        self._came = threading.Condition()
        self._thread = threading.Thread(target=self._gather, daemon=True)
        self._thread.start()

    def _gather(self) -> None:
        assert self._process.stdout is not None
        while block := self._process.stdout.read1(4096):  # type: ignore[attr-defined]
            with self._came:
                self._data += block
                self._came.notify_all()

    @property
    def samples(self) -> Samples:
        """All samples so far, int16 mono."""
        with self._came:
            return np.frombuffer(bytes(self._data[: len(self._data) // 2 * 2]), dtype=np.int16)

    def wait_for(self, count: int, timeout_s: float) -> Samples:
        """Return the samples once there are `count` of them; fails the test otherwise."""
        with self._came:
            assert self._came.wait_for(lambda: len(self._data) >= 2 * count, timeout_s), "the sink's monitor is silent"
        return self.samples

    def close(self) -> None:
        """Stop recording."""
        self._process.terminate()
        self._thread.join(5)
        _end(self._process)


def _drain(process: subprocess.Popen[bytes]) -> None:
    assert process.stdout is not None
    with suppress(OSError, ValueError):
        while process.stdout.read1(65536):  # type: ignore[attr-defined]
            pass


def _end(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    process.wait(5)
    if process.stdout is not None:
        with suppress(OSError):
            process.stdout.close()


def write_wav(path: Path, samples: Samples, rate_hz: int = 16_000) -> None:
    """Write int16 mono samples as a WAV file."""
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate_hz)
        file.writeframes(samples.astype("<i2").tobytes())


def likeness(heard: Samples, played: Samples) -> float:
    """Return the highest normalised correlation of `played` at any place in `heard`: 1 alike, near 0 unrelated.

    Places between samples count too (quarters): resamplers on the way delay by parts of a sample.
    """
    heard = np.pad(heard, len(played) // 2)
    if len(heard) < len(played):
        return 0.0
    size = 1 << (len(heard) + len(played)).bit_length()
    a, b = heard.astype(np.float64), played.astype(np.float64)
    places = len(a) - len(b) + 1
    spectrum = np.fft.rfft(a, size) * np.conj(np.fft.rfft(b, size))
    product = 4 * np.fft.irfft(spectrum, 4 * size)[: 4 * places]
    energy = np.concatenate([[0.0], np.cumsum(a**2)])
    around = energy[len(b) :] - energy[:places]
    scale = np.sqrt(np.maximum(around, around.max() * 1e-2 + 1e-9) * np.sum(b**2))
    return float(np.max(product / np.repeat(scale, 4)))
