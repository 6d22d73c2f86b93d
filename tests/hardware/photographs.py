"""Symbols made by independent encoders, and pictures of them as a bench camera would take them."""

from __future__ import annotations

import io
import shutil
import subprocess
from importlib import import_module
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

Picture = NDArray[np.uint8]

_ZINT = {"Data Matrix": "71", "Code 128": "20", "Code 39": "8", "QR Code": "58"}
_BWIPP = {"Data Matrix": "datamatrix", "Code 128": "code128", "Code 39": "code39", "QR Code": "qrcode"}


_made: dict[tuple[str, str, str], Picture] = {}


def encode(encoder: str, symbology: str, text: str, folder: Path) -> Picture:
    """Return a grey picture of a symbol with quiet zone, by segno, zint, python-barcode or treepoem.

    Skips the test, with the reason, when the encoder is not here. Each symbol is made once: treepoem takes seconds.
    """
    key = (encoder, symbology, text)
    if key not in _made:
        _made[key] = _encode(encoder, symbology, text, folder)
    return _made[key]


def _encode(encoder: str, symbology: str, text: str, folder: Path) -> Picture:
    if encoder == "segno":
        segno = pytest.importorskip("segno", reason="segno is not installed")
        out = io.BytesIO()
        segno.make(text, error="m", micro=False).save(out, kind="png", scale=6, border=4)
        return _decoded(out.getvalue())
    if encoder == "python-barcode":
        pytest.importorskip("barcode", reason="python-barcode is not installed")
        made = import_module("barcode").get(
            {"Code 128": "code128", "Code 39": "code39"}[symbology],
            text,
            writer=import_module("barcode.writer").ImageWriter(),
            options=None if symbology == "Code 128" else {"add_checksum": False},
        )
        out = io.BytesIO()
        made.write(out, options={"write_text": False, "module_width": 0.3, "module_height": 12})
        return _decoded(out.getvalue())
    if encoder == "zint":
        if shutil.which("zint") is None:
            pytest.skip("zint is not here: apt install zint")
        path = folder / "symbol.png"
        command = ["zint", "-b", _ZINT[symbology], "-d", text, "-o", str(path), "--notext", "--scale=3", "-w", "6"]
        subprocess.run([*command, "--vwhitesp=6"], check=True, capture_output=True)
        return _decoded(path.read_bytes())
    if encoder == "treepoem":
        if shutil.which("gs") is None:
            pytest.skip("Ghostscript is not here: apt install ghostscript")
        treepoem = pytest.importorskip("treepoem", reason="treepoem is not installed")
        image = treepoem.generate_barcode(_BWIPP[symbology], text, scale=4).convert("L")
        return np.pad(np.asarray(image, dtype=np.uint8), 40, constant_values=255)
    raise ValueError(f"Encoder {encoder!r} is not known")


def _decoded(png: bytes) -> Picture:
    picture = cv2.imdecode(np.frombuffer(png, dtype=np.uint8), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    return np.asarray(picture, dtype=np.uint8)


def photograph(
    symbol: Picture,
    seed: int,
    *,
    tilt: float = 0.06,
    turn_deg: float = 12.0,
    blur_px: float = 1.0,
    noise: float = 6.0,
    shade: float = 0.5,
    size: tuple[int, int] = (720, 960),
) -> Picture:
    """Return a symbol as photographed: in perspective, turned, out of focus, unevenly lit, with sensor noise.

    Args:
        symbol: grey, dark on light.
        seed: equal seeds give equal pictures; the view (`tilt`, `turn_deg`) is the same for all seeds, only the
            noise differs: two seeds are two exposures of one view.
        tilt: how far the corners move, as a share of the symbol's size.
        turn_deg: turn in the picture's plane, degrees.
        blur_px, noise: of the lens (sigma, px) and the sensor (sigma, grey levels).
        shade: how much darker the lower right corner is, 0 to 1.
        size: of the picture, (h, w), px.

    Returns:
        uint8, (h, w, 3).
    """
    random = np.random.default_rng(seed)
    height, width = size
    h, w = symbol.shape
    scale = min(0.72 * height / h, 0.72 * width / w, 1.6)
    # A lens averages over an area; warping alone would pick single pixels.
    symbol = np.asarray(cv2.resize(symbol, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    h, w = symbol.shape
    corners = np.array([[-w, -h], [w, -h], [w, h], [-w, h]], dtype=np.float64) / 2
    bend = np.array([[1, 1], [-1, 0.3], [-0.2, -1], [0.6, -0.4]]) * tilt * np.array([w, h])
    angle = np.deg2rad(turn_deg)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    places = (corners + bend) @ turn + np.array([width, height]) / 2
    source = np.array([[0, 0], [w, 0], [w, h], [0, h]], dtype=np.float32)
    lens = cv2.getPerspectiveTransform(source, places.astype(np.float32))
    bench = cv2.warpPerspective(symbol, lens, (width, height), flags=cv2.INTER_CUBIC, borderValue=(170,)).astype(float)
    across, down = np.meshgrid(np.linspace(0, 1, width), np.linspace(0, 1, height))
    lit = 20 + bench * 0.85 * (1 - shade * (0.6 * across + 0.4 * down))
    seen = cv2.GaussianBlur(lit, (0, 0), blur_px) + random.normal(0, noise, size)
    grey = np.clip(np.rint(seen), 0, 255).astype(np.uint8)
    return np.repeat(grey[:, :, None], 3, axis=2)


def side_by_side(*pictures: Picture) -> Picture:
    """Return pictures of one height beside each other, in one."""
    return np.asarray(np.hstack(pictures), dtype=np.uint8)
