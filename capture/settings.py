"""What a bench needs to know of itself, read once from `benchcall.toml` in its data folder and the command line."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

from capture.errors import SettingsError


@dataclass(frozen=True, slots=True)
class Settings:
    """One bench's settings.

    `data`: folder of log, clips, jobs and token; `engine`: "whisper", "vosk" or "auto"; `whisper_model`,
    `vosk_model`: model folders, "" for where the package or the environment says; `microphone`, `speaker`,
    `camera`, `pedal`: "default", part of a device's name, "file:PATH" or "none"; `ending_silence_s`: how long
    a pause ends a call; `words_per_minute`: speed of the bench's voice.
    """

    data: Path
    bench: str = "bench-1"
    server: str = ""
    engine: str = "whisper"
    whisper_model: str = ""
    vosk_model: str = ""
    microphone: str = "default"
    speaker: str = "default"
    camera: str = "default"
    pedal: str = "none"
    ending_silence_s: str = "0.7"
    words_per_minute: int = 165

    @property
    def model_folder(self) -> Path | None:
        """The folder of the chosen engine's model, None where package or environment say."""
        given = self.vosk_model if self.engine == "vosk" else self.whisper_model
        return Path(given) if given else None


def default_data() -> Path:
    """Return the data folder: BENCHCALL_DATA, else the user's own data folder."""
    given = os.environ.get("BENCHCALL_DATA")
    return Path(given) if given else Path.home() / ".local" / "share" / "benchcall"


def read_settings(data: Path, overrides: Mapping[str, Any]) -> Settings:
    """Read `benchcall.toml` under `data` (it may be absent); options given on the command line win.

    Raises:
        SettingsError: not TOML, an unknown key, or a value of the wrong kind.
    """
    path = data / "benchcall.toml"
    given: dict[str, Any] = {}
    if path.exists():
        try:
            given = tomllib.loads(path.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            raise SettingsError(f"Settings file {path} cannot be read ({error}); mend or remove it") from None
    given |= {key: value for key, value in overrides.items() if value is not None}
    known = {f.name: f.type for f in fields(Settings) if f.name != "data"}
    for key, value in given.items():
        if key not in known:
            raise SettingsError(f"Setting {key!r} in {path} is not known; use one of {', '.join(known)}")
        wanted = int if known[key] == "int" else str
        if not isinstance(value, wanted) or isinstance(value, bool):
            raise SettingsError(f"Setting {key!r} is {value!r}; it must be of type {wanted.__name__}")
    settings = replace(Settings(data), **given)
    return _checked(settings)


def _checked(settings: Settings) -> Settings:
    if settings.engine not in ("whisper", "vosk", "auto"):
        raise SettingsError(f"Setting 'engine' is {settings.engine!r}; use whisper, vosk or auto")
    try:
        silence = float(settings.ending_silence_s)
    except ValueError:
        silence = -1.0
    if not 0.3 <= silence <= 3:
        raise SettingsError(f"Setting 'ending_silence_s' is {settings.ending_silence_s!r}; give 0.3 to 3 seconds")
    if not 80 <= settings.words_per_minute <= 300:
        raise SettingsError(f"Setting 'words_per_minute' is {settings.words_per_minute}; give 80 to 300")
    name = settings.bench
    if not name or len(name) > 40 or not all(c.isascii() and (c.isalnum() or c == "-") for c in name):
        raise SettingsError(f"Setting 'bench' is {name!r}; use letters, digits and hyphens, 40 at most")
    return settings
