"""The reader of CTranslate2 model files."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from capture.errors import ModelError
from capture.speech._modelfile import check_digest, file_digest, read_model
from capture.speech.whisper import find_model


def _text(value: str) -> bytes:
    raw = value.encode() + b"\0"
    return struct.pack("<H", len(raw)) + raw


def _model_bytes(
    *, version: int = 6, spec: str = "WhisperSpec", revision: int = 3, type_code: int = 4, alias_of: str = "weight"
) -> bytes:
    data = np.arange(6, dtype="<f2").tobytes()
    variable = _text("weight") + struct.pack("<B2IBI", 2, 2, 3, type_code, len(data)) + data
    number = _text("heads") + struct.pack("<BBI", 0, 2, 2) + struct.pack("<h", 6)
    aliases = struct.pack("<I", 1) + _text("projection") + _text(alias_of)
    return struct.pack("<I", version) + _text(spec) + struct.pack("<II", revision, 2) + variable + number + aliases


def _written(folder: Path, data: bytes) -> Path:
    path = folder / "model.bin"
    path.write_bytes(data)
    return path


def test_variables_scalars_and_aliases_of_a_file_are_read(tmp_path: Path) -> None:
    model = read_model(_written(tmp_path, _model_bytes()))
    assert model.floats("weight").tolist() == [[0, 1, 2], [3, 4, 5]]
    assert model.floats("projection").dtype == np.float32
    assert model.integer("heads") == 6


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (_model_bytes(version=5), "format version 5"),
        (_model_bytes(spec="TransformerSpec"), "kind 'TransformerSpec'"),
        (_model_bytes(revision=4), "revision 4"),
        (_model_bytes(type_code=9), "type 9"),
        (_model_bytes(type_code=0), "12 bytes for shape"),
        (_model_bytes(alias_of="gone"), "alias 'projection'"),
        (_model_bytes()[:-1], "damaged"),
        (_model_bytes() + b"\0", "1 bytes too many"),
        (_model_bytes()[:40], "damaged"),
        (b"", "cannot be read"),
    ],
)
def test_a_file_of_another_kind_or_cut_short_is_refused_by_name(tmp_path: Path, data: bytes, told: str) -> None:
    path = _written(tmp_path, data)
    with pytest.raises(ModelError) as refused:
        read_model(path)
    assert told in str(refused.value)
    assert str(path) in str(refused.value)
    assert "BENCHCALL_WHISPER_MODEL" in str(refused.value)


def test_every_prefix_of_a_file_is_refused(tmp_path: Path) -> None:
    whole = _model_bytes()
    for length in range(len(whole)):
        with pytest.raises(ModelError):
            read_model(_written(tmp_path, whole[:length]))


def test_a_missing_file_and_a_missing_variable_are_named(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match=r"none\.bin cannot be read"):
        read_model(tmp_path / "none.bin")
    model = read_model(_written(tmp_path, _model_bytes()))
    with pytest.raises(ModelError, match="no variable 'bias'"):
        model.floats("bias")
    with pytest.raises(ModelError, match="no single number 'weight'"):
        model.integer("weight")


def test_a_changed_byte_changes_the_digest_and_is_refused(tmp_path: Path) -> None:
    path = _written(tmp_path, b"abc")
    # FIPS 180-2, appendix B.1: the SHA-256 of "abc"
    known = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert file_digest(path) == known
    check_digest(path, known)
    path.write_bytes(b"abd")
    with pytest.raises(ModelError, match=f"it must be {known}"):
        check_digest(path, known)


def test_the_packaged_model_has_the_shape_of_whisper_tiny() -> None:
    model = read_model(find_model() / "model.bin")
    assert model.variables["decoder/embeddings/weight"].shape == (51864, 384)
    assert model.variables["decoder/position_encodings/encodings"].shape == (448, 384)
    assert model.integer("decoder/num_heads") == 6
