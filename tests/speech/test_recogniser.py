"""Opening an engine and saying which there are."""

from __future__ import annotations

from pathlib import Path

import pytest

from capture.errors import ModelError, SettingsError
from capture.speech import _voskmodel
from capture.speech.recogniser import describe_engines, open_recogniser
from capture.speech.whisper import MODEL_VARIABLE


@pytest.fixture(autouse=True)
def nothing_set(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A home of its own without models, and no variable that names one."""
    for variable in (MODEL_VARIABLE, _voskmodel.MODEL_VARIABLE, _voskmodel.LIBRARY_VARIABLE):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    return tmp_path


def make_model(folder: Path) -> Path:
    """A directory that looks like a Vosk model from outside."""
    for name in ("am/final.mdl", "conf/model.conf"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text("not really")
    return folder


def test_the_default_engine_opens_without_any_setting() -> None:
    engine = open_recogniser()
    assert engine.name == "whisper"
    engine.close()


def test_an_unknown_engine_is_named_with_those_that_are_known() -> None:
    with pytest.raises(SettingsError, match="Engine 'ears' is not known; it must be one of whisper, vosk, auto"):
        open_recogniser("ears")


def test_without_an_english_vosk_model_one_is_told_how_to_get_it() -> None:
    whisper, vosk = describe_engines()
    assert (whisper.engine, whisper.usable, whisper.advice) == ("whisper", True, "")
    assert (vosk.engine, vosk.usable, vosk.model) == ("vosk", False, None)
    assert "the Vosk project's model list" in vosk.advice and "BENCHCALL_VOSK_MODEL" in vosk.advice
    assert any("BENCHCALL_VOSK_MODEL: not set" in place for place in vosk.looked_in)
    with pytest.raises(ModelError, match="No English Vosk model was found; take an English model"):
        open_recogniser("vosk")


def test_an_english_vosk_model_is_found_in_the_librarys_cache_and_by_variable(
    nothing_set: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cache = nothing_set / ".cache" / "vosk"
    make_model(cache / "vosk-model-small-ko-0.22")
    assert _voskmodel.find_english_model() is None
    cached = make_model(cache / "vosk-model-small-en-us-0.15")
    assert _voskmodel.find_english_model() == cached
    named = make_model(nothing_set / "elsewhere")
    monkeypatch.setenv(_voskmodel.MODEL_VARIABLE, str(named))
    assert _voskmodel.find_english_model() == named
    report = describe_engines()[1]
    assert report.usable and report.model == named and report.advice == ""
    monkeypatch.setenv(_voskmodel.MODEL_VARIABLE, str(nothing_set / "nowhere"))
    assert _voskmodel.find_english_model() is None


def test_a_missing_whisper_model_is_reported_not_raised(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv(MODEL_VARIABLE, str(tmp_path))
    report = describe_engines()[0]
    assert not report.usable
    assert "has no file 'model.bin'" in report.advice


def test_a_damaged_vosk_model_is_named(nothing_set: Path) -> None:
    with pytest.raises(ModelError, match=r"elsewhere cannot be loaded .*; unpack it again"):
        open_recogniser("vosk", make_model(nothing_set / "elsewhere"))
    with pytest.raises(ModelError, match=r"nothing is no Vosk model"):
        open_recogniser("vosk", nothing_set / "nothing")
