"""Which engines there are, and opening one of them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from capture.errors import ModelError, SettingsError
from capture.speech.words import Recogniser

ENGINES = ("whisper", "vosk", "auto")


@dataclass(frozen=True, slots=True)
class EngineReport:
    """What can be said of an engine before it is opened.

    `usable`: whether its model was found; `model`: directory found or None; `looked_in`: where it was looked
    for; `advice`: what to do when it is not usable, else "".
    """

    engine: str
    usable: bool
    model: Path | None
    looked_in: tuple[str, ...]
    advice: str


def open_recogniser(engine: str = "auto", model_dir: Path | None = None) -> Recogniser:
    """Open an engine.

    "auto" is Vosk when a directory is given or found that holds an English Vosk model, else Whisper.

    Raises: SettingsError for another name; ModelError when the engine's model cannot be used.
    """
    if engine not in ENGINES:
        raise SettingsError(f"Engine {engine!r} is not known; it must be one of {', '.join(ENGINES)}")
    if engine == "auto":
        engine = "vosk" if _is_vosk(model_dir) else "whisper"
    if engine == "vosk":
        from capture.speech.vosk import VoskEngine

        return VoskEngine(model_dir)
    from capture.speech.whisper import WhisperEngine

    return WhisperEngine(model_dir)


def _is_vosk(model_dir: Path | None) -> bool:
    from capture.speech._voskmodel import find_english_model, is_model

    return is_model(model_dir) if model_dir is not None else find_english_model() is not None


def describe_engines() -> list[EngineReport]:
    """Say of each engine whether its model is here, where it was looked for, and how to get one."""
    return [_describe_whisper(), _describe_vosk()]


def _describe_whisper() -> EngineReport:
    from capture.speech.whisper import MODEL_PACKAGE, MODEL_VARIABLE, find_model

    looked_in = (f"environment variable {MODEL_VARIABLE}", f"package {MODEL_PACKAGE}")
    try:
        return EngineReport("whisper", True, find_model(), looked_in, "")
    except ModelError as error:
        return EngineReport("whisper", False, None, looked_in, str(error))


def _describe_vosk() -> EngineReport:
    from capture.speech._voskmodel import ADVICE, find_english_model, places

    looked_in = tuple(str(place) for place in places())
    found = find_english_model()
    return EngineReport("vosk", found is not None, found, looked_in, "" if found else ADVICE)
