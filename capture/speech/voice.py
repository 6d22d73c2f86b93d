"""The bench's own voice: espeak-ng for words, tones made here."""

from __future__ import annotations

import functools
import io
import shutil
import subprocess
import wave
from collections import OrderedDict
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from capture.errors import VoiceError
from capture.speech.words import RATE_HZ, Samples

COMMAND = "espeak-ng"
_TIMEOUT_S = 20.0
_TEXTS_KEPT = 256
_LOUDEST = 0.5
_FADE_S = 0.008

TONES: Mapping[str, tuple[tuple[float, float, float], ...]] = {
    "ready": ((660.0, 0.12, 0.0),),
    "heard": ((880.0, 0.05, 0.05), (880.0, 0.05, 0.0)),
    "stored": ((660.0, 0.09, 0.02), (990.0, 0.22, 0.0)),
    "refused": ((220.0, 0.16, 0.08), (220.0, 0.16, 0.08), (220.0, 0.16, 0.0)),
}
"""Each tone: notes of (pitch in Hz, length in s, pause after it in s); they differ in pitch and in rhythm."""


class EspeakVoice:
    """Speaks text through espeak-ng; what was once said is kept.

    Args:
        voice: name of an espeak-ng voice.
        rate_wpm: words a minute.

    Raises: VoiceError when espeak-ng is not installed.
    """

    def __init__(self, voice: str = "en-gb", rate_wpm: int = 165) -> None:
        if shutil.which(COMMAND) is None:
            raise VoiceError(f"Speech program {COMMAND!r} is not installed; install the system package espeak-ng")
        self.voice = voice
        self.rate_wpm = rate_wpm
        self._kept: OrderedDict[str, Samples] = OrderedDict()

    def speak(self, text: str) -> Samples:
        """Return the text as sound; empty for empty text. The array is shared and read-only.

        Raises: VoiceError when espeak-ng does not answer with sound.
        """
        said = " ".join(text.split())
        if not said:
            return np.zeros(0, dtype=np.int16)
        if said not in self._kept:
            samples = self._synthesise(said)
            samples.setflags(write=False)
            self._kept[said] = samples
            if len(self._kept) > _TEXTS_KEPT:
                self._kept.popitem(last=False)
        self._kept.move_to_end(said)
        return self._kept[said]

    def tone(self, kind: str) -> Samples:
        """Return a tone by its name in `TONES`."""
        return tone(kind)

    def _synthesise(self, text: str) -> Samples:
        command = [COMMAND, "-v", self.voice, "-s", str(self.rate_wpm), "--stdin", "--stdout"]
        try:
            result = subprocess.run(command, input=text.encode(), capture_output=True, timeout=_TIMEOUT_S, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise VoiceError(
                f"Speech program {COMMAND!r} did not answer ({error}); check it with: {COMMAND} hello"
            ) from None
        if result.returncode or not result.stdout:
            said = result.stderr.decode(errors="replace").strip().splitlines()
            raise VoiceError(
                f"Speech program {COMMAND!r} could not say {text!r} with voice {self.voice!r} "
                f"({said[-1] if said else 'no sound came'}); check it with: {COMMAND} -v {self.voice} hello"
            )
        return _from_wav(result.stdout)


def tone(kind: str) -> Samples:
    """Return a tone of the program as sound.

    Raises: VoiceError for a name that is not in `TONES`.
    """
    if kind not in TONES:
        raise VoiceError(f"Tone {kind!r} is not known; it must be one of {', '.join(TONES)}")
    parts = []
    for pitch_hz, length_s, pause_s in TONES[kind]:
        count = int(length_s * RATE_HZ)
        ramp = np.minimum(1.0, np.arange(count) / (_FADE_S * RATE_HZ))
        note = np.sin(2.0 * np.pi * pitch_hz * np.arange(count) / RATE_HZ) * ramp * ramp[::-1]
        parts += [note, np.zeros(int(pause_s * RATE_HZ))]
    return np.asarray(np.round(np.concatenate(parts) * _LOUDEST * 32767.0), dtype=np.int16)


def _from_wav(data: bytes) -> Samples:
    """Read espeak-ng's WAV, whose header may give no length since it was written to a pipe."""
    try:
        with wave.open(io.BytesIO(data)) as stream:
            channels, width, rate_hz = stream.getnchannels(), stream.getsampwidth(), stream.getframerate()
            raw = stream.readframes(len(data))
    except (wave.Error, EOFError) as error:
        raise VoiceError(f"Speech program {COMMAND!r} sent no WAV ({error}); install espeak-ng again") from None
    if (channels, width) != (1, 2):
        raise VoiceError(f"Speech program {COMMAND!r} sent {channels} channels of {width} bytes; 1 of 2 are wanted")
    return resampled(np.frombuffer(raw, dtype="<i2").astype(np.int16), rate_hz)


_ZEROS = 24


@functools.cache
def _filter_bank(up: int, down: int) -> NDArray[np.float64]:
    """Windowed-sinc filters for each of `up` phases, shape (up, taps)."""
    cutoff = min(1.0, up / down) * 0.96
    reach = int(np.ceil(_ZEROS / cutoff))
    offsets = np.arange(-reach, reach + 1)[None, :] - (np.arange(up) / up)[:, None]
    bank = (
        cutoff
        * np.sinc(cutoff * offsets)
        * np.where(
            np.abs(offsets) <= reach,
            np.i0(9.0 * np.sqrt(np.maximum(0.0, 1.0 - (offsets / reach) ** 2))) / np.i0(9.0),
            0.0,
        )
    )
    result: NDArray[np.float64] = bank / bank.sum(axis=1, keepdims=True)
    return result


def resampled(samples: Samples, rate_hz: int, to_hz: int = RATE_HZ) -> Samples:
    """Return sound at another rate, by polyphase filtering with a Kaiser-windowed sinc.

    Args:
        samples: int16, shape (n,), at `rate_hz`.
    """
    if rate_hz == to_hz or not len(samples):
        return samples
    common = int(np.gcd(rate_hz, to_hz))
    up, down = to_hz // common, rate_hz // common
    bank = _filter_bank(up, down)
    reach = bank.shape[1] // 2
    padded = np.pad(samples.astype(np.float64), reach)
    windows = np.lib.stride_tricks.sliding_window_view(padded, bank.shape[1])
    places = np.arange(len(samples) * up // down) * down
    result = np.empty(len(places))
    for begin in range(0, len(places), 8192):
        chunk = places[begin : begin + 8192]
        result[begin : begin + 8192] = np.einsum("ij,ij->i", windows[chunk // up], bank[chunk % up])
    return np.asarray(np.clip(np.round(result), -32768, 32767), dtype=np.int16)
