"""Engines are opened once for all speech tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from capture.speech.voice import EspeakVoice
from capture.speech.whisper import WhisperEngine


@pytest.fixture(scope="session")
def whisper() -> Iterator[WhisperEngine]:
    """The default engine on the packaged model."""
    engine = WhisperEngine()
    yield engine
    engine.close()


@pytest.fixture(scope="session")
def voice() -> EspeakVoice:
    """A synthetic speaker who is not the bench."""
    return EspeakVoice("en-us-nyc", rate_wpm=150)
