"""Finding a Vosk model directory, without loading the library."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

MODEL_VARIABLE = "BENCHCALL_VOSK_MODEL"
LIBRARY_VARIABLE = "VOSK_MODEL_PATH"
ADVICE = (
    "take an English model from the Vosk project's model list, on a machine with network, unpack it on the bench, "
    f"then set {MODEL_VARIABLE} to its directory"
)
_ENGLISH = ("vosk-model-small-en", "vosk-model-en")


@dataclass(frozen=True, slots=True)
class Place:
    """Where a model may be: a directory that is one, or one that holds some."""

    what: str
    path: Path | None

    def __str__(self) -> str:
        return f"{self.what}: {self.path if self.path is not None else 'not set'}"


def places() -> tuple[Place, ...]:
    """Return where an English model is looked for, in order."""
    named, library = os.environ.get(MODEL_VARIABLE), os.environ.get(LIBRARY_VARIABLE)
    return (
        Place(f"environment variable {MODEL_VARIABLE}", Path(named) if named else None),
        Place(f"environment variable {LIBRARY_VARIABLE}", Path(library) if library else None),
        Place("system folder", Path("/usr/share/vosk")),
        Place("the library's own cache", Path.home() / ".cache" / "vosk"),
    )


def is_model(path: Path) -> bool:
    """Say whether a directory has the parts of a Vosk model."""
    return (path / "am" / "final.mdl").is_file() and (path / "conf" / "model.conf").is_file()


def find_english_model() -> Path | None:
    """Return the first English model found, or None.

    A directory named by our own variable is taken as it is; in folders of models the name must say English.
    """
    named, *folders = places()
    if named.path is not None:
        return named.path if is_model(named.path) else None
    for folder in folders:
        if folder.path is None or not folder.path.is_dir():
            continue
        for path in sorted(folder.path.iterdir()):
            if path.name.startswith(_ENGLISH) and is_model(path):
                return path
    return None
