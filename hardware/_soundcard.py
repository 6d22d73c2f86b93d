"""PortAudio, met in one place: load it, list what it finds, open its streams, keep it quiet."""

from __future__ import annotations

import ctypes
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from typing import Any, Protocol

from hardware.errors import DeviceLost, DeviceMissing, DriverMissing

RATE_HZ = 16_000

Callback = Callable[[Any, int, Any, Any], None]
"""PortAudio's own: data (array), frames, time, flags."""


class Stream(Protocol):
    """What the drivers use of a PortAudio stream."""

    @property
    def samplerate(self) -> float:
        """Rate it runs at, Hz."""

    @property
    def channels(self) -> int:
        """Channels it carries."""

    @property
    def latency(self) -> float:
        """Seconds between program and air."""

    @property
    def active(self) -> bool:
        """Whether it is running."""

    def close(self, ignore_errors: bool = True) -> None:
        """Stop and free it."""


@dataclass(frozen=True, slots=True)
class Card:
    """One sound device as PortAudio lists it; `rate_hz` is the rate it prefers."""

    index: int
    name: str
    inputs: int
    outputs: int
    rate_hz: int


_lock = threading.Lock()
_open_streams = 0
_silencer: Any = None


def _silence_alsa() -> None:
    """Stop ALSA's library from printing to the terminal; what matters comes back as an error code."""
    global _silencer
    if _silencer is not None:
        return
    try:
        alsa = ctypes.CDLL("libasound.so.2")
    except OSError:
        return
    kind = ctypes.CFUNCTYPE(None, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p)
    _silencer = kind(lambda *_: None)
    alsa.snd_lib_error_set_handler(_silencer)


def _sounddevice(kind: str, name: str = "") -> Any:
    """Return the sounddevice module, its list of devices fresh when no stream is open.

    Raises:
        DriverMissing: when the module or PortAudio is not installed.
    """
    _silence_alsa()
    try:
        sound = import_module("sounddevice")
    except (ImportError, OSError) as error:
        raise DriverMissing(
            f"{kind.capitalize()} {name!r} cannot be used: {error}; install it with"
            " 'apt install libportaudio2' and 'pip install sounddevice'",
            kind=kind,
            name=name,
        ) from error
    return sound


def cards(kind: str = "microphone") -> list[Card]:
    """Return the sound devices that are there now, [] when there are none.

    PortAudio lists devices once, when it starts; it is started afresh here unless a stream is open, so a headset
    plugged in later is found.

    Raises:
        DriverMissing: when PortAudio is not installed.
    """
    sound = _sounddevice(kind)
    with _lock:
        if _open_streams == 0:
            sound._terminate()
            sound._initialize()
        found = sound.query_devices()
    return [
        Card(
            index,
            str(entry["name"]),
            int(entry["max_input_channels"]),
            int(entry["max_output_channels"]),
            int(entry["default_samplerate"]),
        )
        for index, entry in enumerate(found)
    ]


def choose(name: str | None, kind: str, candidates: list[Card]) -> Card:
    """Return the card that a name, or a part of one, picks out.

    Args:
        name: None for the default device; else compared without regard to case, a whole name before a part.
        kind: "microphone" or "speaker".
        candidates: cards to choose from; those that cannot record (play) are left out.

    Raises:
        DeviceMissing: none or more than one answers to the name; the message lists what there is.
    """
    fit = [card for card in candidates if (card.inputs if kind == "microphone" else card.outputs) > 0]
    remedy = f"plug it in, or choose another with --{kind} NAME, file:PATH or none"
    have = ", ".join(repr(card.name) for card in fit) or "none"
    if name is None:
        chosen = [card for card in fit if card.name == "default"] or fit[:1]
        if not chosen:
            raise DeviceMissing(f"No {kind} is connected; {remedy}", kind=kind, name="default")
        return chosen[0]
    wanted = name.casefold()
    whole = [card for card in fit if card.name.casefold() == wanted]
    part = whole or [card for card in fit if wanted in card.name.casefold()]
    if not part:
        raise DeviceMissing(
            f"{kind.capitalize()} {name!r} is not connected; found: {have}; {remedy}", kind=kind, name=name
        )
    if len(part) > 1:
        listed = ", ".join(repr(card.name) for card in part)
        raise DeviceMissing(
            f"{kind.capitalize()} {name!r} fits {len(part)} devices: {listed}; give more of the name",
            kind=kind,
            name=name,
        )
    return part[0]


@contextmanager
def _as_ours(sound: Any, kind: str, name: str) -> Iterator[None]:
    try:
        yield
    except sound.PortAudioError as error:
        text = " ".join(str(part) for part in error.args)
        raise DeviceMissing(
            f"{kind.capitalize()} {name!r} cannot be opened: {text}; check that no other program holds it, then plug"
            " it in again",
            kind=kind,
            name=name,
        ) from error


def open_stream(kind: str, card: Card, rate_hz: int | None, latency_s: float, callback: Callback) -> Stream:
    """Open and start an int16 stream, at 16 kHz where the card can, else at the rate it prefers.

    Args:
        kind: "microphone" (input) or "speaker" (output).
        card: from `choose`.
        rate_hz: rate to insist on, Hz; None to let the card decide.
        latency_s: what is asked of PortAudio, s.
        callback: called from PortAudio's thread.

    Raises:
        DeviceMissing: when the card cannot be opened at any of these.
    """
    global _open_streams
    sound = _sounddevice(kind, card.name)
    recording = kind == "microphone"
    check = sound.check_input_settings if recording else sound.check_output_settings
    make = sound.InputStream if recording else sound.OutputStream
    most = card.inputs if recording else card.outputs
    rates = [rate_hz] if rate_hz else list(dict.fromkeys((RATE_HZ, card.rate_hz)))
    wanted = [(rate, channels) for rate in rates for channels in (1, 2) if channels <= most]
    with _lock, _as_ours(sound, kind, card.name):
        for rate, channels in wanted:
            settings = {"device": card.index, "channels": channels, "dtype": "int16", "samplerate": rate}
            try:
                check(**settings)
            except sound.PortAudioError:
                if (rate, channels) == wanted[-1]:
                    raise
                continue
            stream = make(**settings, blocksize=0, latency=latency_s, callback=callback)
            try:
                stream.start()
            except BaseException:
                stream.close()
                raise
            _open_streams += 1
            return _Counted(stream)
    raise DeviceMissing(
        f"{kind.capitalize()} {card.name!r} carries no sound; choose another", kind=kind, name=card.name
    )


class _Counted:
    """A stream that is counted while open, so that the device list is not renewed under it."""

    def __init__(self, stream: Any) -> None:
        self._stream = stream
        self._is_open = True
        self.samplerate = float(stream.samplerate)
        self.channels = int(stream.channels)
        self.latency = float(stream.latency)

    @property
    def active(self) -> bool:
        return bool(self._stream.active)

    def close(self, ignore_errors: bool = True) -> None:
        global _open_streams
        with _lock:
            if self._is_open:
                self._is_open = False
                _open_streams -= 1
                self._stream.abort(ignore_errors)
                self._stream.close(ignore_errors)


def lost(kind: str, name: str, silent_s: float) -> DeviceLost:
    """Return the error for a device that gave nothing for so long (s)."""
    return DeviceLost(
        f"{kind.capitalize()} {name!r} has given nothing for {silent_s:.1f} s; check its plug, then start again or"
        f" choose another with --{kind} NAME",
        kind=kind,
        name=name,
    )
