"""Synthetic speech and our own shop noise: every sample of the demo's sound is made here, none is recorded.

Sound is float64 mono at 16 kHz, full scale 1.0, until it is written as 16-bit FLAC. Everything random comes
from a generator seeded by the name of the clip, so the same clip comes out the same every time.
"""

from __future__ import annotations

import hashlib
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile  # type: ignore[import-untyped]  # ships no types
from numpy.typing import NDArray

RATE_HZ = 16_000
SPEECH_DBFS = -20.0
"""Level every voice is brought to: RMS of its active frames."""
LEAD_S, TAIL_S = 0.30, 0.40
_FRAME = 320  # 20 ms
_ACTIVE_WITHIN_DB = 35.0

Sound = NDArray[np.float64]


class SoundError(Exception):
    """A clip could not be made; the message names the tool, the value and the remedy."""


@dataclass(frozen=True, slots=True)
class Voice:
    """A synthetic voice. `stretch` slows flite (1.0 as recorded); `wpm`, `pitch` are espeak-ng's own."""

    id: str
    engine: str
    name: str
    stretch: str = "1.0"
    wpm: int = 165
    pitch: int = 50


def generator(key: str) -> np.random.Generator:
    """Return the random generator that belongs to a name."""
    return np.random.Generator(np.random.PCG64(int.from_bytes(hashlib.sha256(key.encode()).digest()[:8], "big")))


def rms(sound: Sound) -> float:
    """Return the root mean square."""
    return float(np.sqrt(np.mean(np.square(sound)))) if len(sound) else 0.0


def decibels(db: float) -> float:
    """Return the factor of amplitude for a level in dB."""
    return float(10 ** (db / 20))


# ---- speech ------------------------------------------------------------------------------------------


def speak(voice: Voice, text: str) -> Sound:
    """Synthesise `text`, trimmed and brought to `SPEECH_DBFS`.

    Raises:
        SoundError: the synthesiser is missing or did not speak.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "speech.wav"
        if voice.engine == "flite":
            command = ["flite", "-voice", voice.name, "--setf", f"duration_stretch={voice.stretch}"]
            command += ["-t", text, "-o", str(path)]
        elif voice.engine == "espeak-ng":
            command = ["espeak-ng", "-v", voice.name, "-s", str(voice.wpm), "-p", str(voice.pitch)]
            command += ["-w", str(path), text]
        else:
            raise SoundError(f"Voice engine {voice.engine!r} is not known; use flite or espeak-ng")
        run(command)
        samples, rate_hz = soundfile.read(path, dtype="float64")
    speech = _trimmed(_resampled(np.asarray(samples, dtype=np.float64), int(rate_hz)))
    return speech * (decibels(SPEECH_DBFS) / active_rms(speech))


def run(command: list[str]) -> bytes:
    """Run a tool and return what it wrote.

    Raises:
        SoundError: it is not installed, or it failed.
    """
    try:
        return subprocess.run(command, check=True, capture_output=True, timeout=60).stdout
    except FileNotFoundError:
        raise SoundError(f"Tool {command[0]!r} is not installed; install it with apt") from None
    except subprocess.CalledProcessError as error:
        raise SoundError(f"Tool {command[0]!r} failed: {error.stderr.decode(errors='replace').strip()}") from None


def _resampled(sound: Sound, rate_hz: int) -> Sound:
    """Resample by way of the spectrum: exact for a clip that begins and ends in silence."""
    if rate_hz == RATE_HZ:
        return sound
    wanted = round(len(sound) * RATE_HZ / rate_hz)
    spectrum = np.fft.rfft(sound)
    kept = np.zeros(wanted // 2 + 1, dtype=np.complex128)
    shared = min(len(spectrum), len(kept))
    kept[:shared] = spectrum[:shared]
    return np.asarray(np.fft.irfft(kept, wanted) * (wanted / len(sound)), dtype=np.float64)


def _frame_levels(sound: Sound) -> Sound:
    count = max(1, len(sound) // _FRAME)
    frames = np.resize(sound, count * _FRAME) if len(sound) < _FRAME else sound[: count * _FRAME]
    return np.asarray(np.sqrt(np.mean(np.square(frames.reshape(count, _FRAME)), axis=1)), dtype=np.float64)


def active_rms(sound: Sound) -> float:
    """Return the RMS of the 20 ms frames that lie within 35 dB of the loudest: the level of the speech itself."""
    levels = _frame_levels(sound)
    loud = levels[levels >= levels.max() * decibels(-_ACTIVE_WITHIN_DB)]
    return float(np.sqrt(np.mean(np.square(loud))))


def _trimmed(sound: Sound) -> Sound:
    levels = _frame_levels(sound)
    loud = np.flatnonzero(levels >= levels.max() * decibels(-45.0))
    return sound[max(0, loud[0] - 1) * _FRAME : (loud[-1] + 2) * _FRAME]


# ---- noise -------------------------------------------------------------------------------------------


def _pink(length: int, random: np.random.Generator) -> Sound:
    """Add up held random steps, each row half as fast as the one before: power falls 3 dB an octave."""
    total = random.standard_normal(length)
    for octave in range(1, 13):
        hold = 1 << octave
        steps = random.standard_normal(length // hold + 2)
        start = int(random.integers(0, hold))
        total += np.repeat(steps, hold)[start : start + length]
    total -= total.mean()
    return total / rms(total)


def _compressor(length: int, random: np.random.Generator) -> Sound:
    """A piston compressor: strokes about 15 times a second with a puff of air each, and mains hum at 100 Hz."""
    time_s = np.arange(length) / RATE_HZ
    strokes_hz = random.uniform(14.0, 16.5)
    sound = np.zeros(length)
    for harmonic in range(1, 31):
        weight = 1.0 / (1.0 + abs(harmonic - 5) * 0.45)
        sound += weight * np.sin(2 * np.pi * strokes_hz * harmonic * time_s + random.uniform(0, 2 * np.pi))
    for harmonic, weight in ((1, 1.2), (2, 0.8), (3, 0.4)):
        sound += weight * np.sin(2 * np.pi * 100.0 * harmonic * time_s + random.uniform(0, 2 * np.pi))
    puffs = np.maximum(0.0, np.sin(2 * np.pi * strokes_hz * time_s)) ** 6
    sound = sound / rms(sound) + 0.5 * puffs * random.standard_normal(length)
    return sound / rms(sound)


def _hits(length: int, random: np.random.Generator, every_s: float) -> Sound:
    """Struck steel: a click, then a handful of inharmonic partials that ring out."""
    sound = np.zeros(length)
    at = int(random.uniform(0.1, 0.5) * RATE_HZ)
    while at < length:
        ring = np.arange(min(length - at, RATE_HZ // 2)) / RATE_HZ
        lowest_hz = random.uniform(500.0, 1400.0)
        blow = np.zeros(len(ring))
        for ratio in (1.0, 1.58, 2.24, 2.92, 4.16):
            decay_s = random.uniform(0.02, 0.11) / ratio**0.5
            partial_hz = lowest_hz * ratio * random.uniform(0.97, 1.03)
            blow += random.uniform(0.3, 1.0) * np.exp(-ring / decay_s) * np.sin(2 * np.pi * partial_hz * ring)
        click = min(len(ring), 64)
        blow[:click] += random.standard_normal(click) * np.linspace(1.0, 0.0, click)
        sound[at : at + len(ring)] += random.uniform(0.5, 1.2) * blow
        at += int(random.exponential(every_s) * RATE_HZ) + RATE_HZ // 8
    return sound / max(rms(sound), 1e-9)


def _grinder(length: int, random: np.random.Generator) -> Sound:
    """An angle grinder: a gear whine that sags as it bites, and bright hiss that comes and goes with it."""
    time_s = np.arange(length) / RATE_HZ
    bite = np.clip(0.5 + 0.6 * np.sin(2 * np.pi * 0.45 * time_s + random.uniform(0, 6.28)), 0.0, 1.0)
    phase = 2 * np.pi * np.cumsum(168.0 - 12.0 * bite + 2.0 * np.sin(2 * np.pi * 3.1 * time_s)) / RATE_HZ
    whine = np.zeros(length)
    for harmonic in range(1, 40):
        weight = 0.3 + (harmonic % 9 == 0) * 1.5
        whine += weight * np.sin(harmonic * phase + random.uniform(0, 6.28)) / harmonic**0.5
    hiss = np.diff(random.standard_normal(length + 1))
    sound = 0.6 * whine / rms(whine) + (0.35 + 0.9 * bite) * hiss / rms(hiss)
    return sound / rms(sound)


def noise(sound: str, length: int, random: np.random.Generator) -> Sound:
    """Return `length` samples of noise with RMS 1. `sound`: "shop", "compressor", "hits" or "grinder".

    Raises:
        SoundError: there is no such noise.
    """
    if sound == "shop":
        mixed = _pink(length, random) + 0.6 * _compressor(length, random) + 0.9 * _hits(length, random, 1.3)
    elif sound == "compressor":
        mixed = _compressor(length, random) + 0.3 * _pink(length, random)
    elif sound == "hits":
        mixed = _hits(length, random, 0.7) + 0.1 * _pink(length, random)
    elif sound == "grinder":
        mixed = _grinder(length, random) + 0.3 * _pink(length, random)
    else:
        raise SoundError(f"Noise {sound!r} is not known; use shop, compressor, hits or grinder")
    return mixed / rms(mixed)


def _faded(sound: Sound, fade_s: float) -> Sound:
    fade = np.sin(np.linspace(0.0, np.pi / 2, int(fade_s * RATE_HZ))) ** 2
    faded = sound.copy()
    faded[: len(fade)] *= fade
    faded[-len(fade) :] *= fade[::-1]
    return faded


# ---- clips -------------------------------------------------------------------------------------------


def speech_clip(voice: Voice, text: str, noise_db: float | None, key: str) -> Sound:
    """Return a spoken clip with silence before and after; `noise_db`: speech over shop noise, None for clean.

    The ratio is RMS of the active speech frames over RMS of the noise, in dB. The noise runs through the whole
    clip and fades in and out.
    """
    lead, tail = np.zeros(int(LEAD_S * RATE_HZ)), np.zeros(int(TAIL_S * RATE_HZ))
    clip = np.concatenate([lead, speak(voice, text), tail])
    if noise_db is not None:
        around = noise("shop", len(clip), generator(key))
        clip = clip + _faded(around * decibels(SPEECH_DBFS - noise_db), 0.15)
    return clip


def noise_clip(sound: str, seconds: float, level_db: float, key: str) -> Sound:
    """Return a clip of noise alone at `level_db` (RMS, dB of full scale)."""
    clip = noise(sound, int(seconds * RATE_HZ), generator(key)) * decibels(level_db)
    return _faded(clip, 0.25)


def write(clip: Sound, path: Path) -> None:
    """Write a clip as FLAC, 16 kHz mono, 16 bit; peaks over full scale are rounded off softly."""
    knee = 0.8
    size = np.abs(clip)
    soft = np.where(size > knee, knee + (1 - knee) * np.tanh((size - knee) / (1 - knee)), size)
    samples = np.round(np.sign(clip) * soft * 32767).astype(np.int16)
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, samples, RATE_HZ, format="FLAC", subtype="PCM_16")
