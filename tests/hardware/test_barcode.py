"""The two tag readers behind one, on symbols from independent encoders as a camera would see them."""

from __future__ import annotations

import ast
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest

import capture.barcode as barcode
from capture.barcode import Symbol, TagReaderError, View, code39_full_ascii, read_symbols, read_view
from tests.hardware.photographs import Picture, encode, photograph, side_by_side

ENCODERS = [
    ("segno", "QR Code"),
    ("zint", "QR Code"),
    ("zint", "Data Matrix"),
    ("zint", "Code 128"),
    ("zint", "Code 39"),
    ("python-barcode", "Code 128"),
    ("python-barcode", "Code 39"),
    ("treepoem", "Data Matrix"),
    ("treepoem", "Code 128"),
    ("treepoem", "Code 39"),
]
TEXTS = {
    "QR Code": "BC1:P:SHOE-3:7",
    "Data Matrix": "BC1:P:SHOE-3:7",
    "Code 128": "BC1:P:SHOE-3:7",
    "Code 39": "SHOE-3-00417",
}
VIEWS = {
    "square on": {"tilt": 0.0, "turn_deg": 0.0, "blur_px": 0.8, "shade": 0.2},
    "turned and tilted": {"turn_deg": 33.0},
    "upside down in poor light": {"turn_deg": 187.0, "shade": 0.75, "noise": 9.0},
    "out of focus": {"blur_px": 2.0},
}


BAR_VIEWS = {
    "square on": {"tilt": 0.0, "turn_deg": 0.0, "blur_px": 0.8, "shade": 0.2},
    "turned and tilted": {"turn_deg": 5.0, "tilt": 0.02, "blur_px": 0.8},
    "upside down in poor light": {"turn_deg": 183.0, "tilt": 0.02, "blur_px": 0.8, "shade": 0.75},
    "out of focus": {"turn_deg": 2.0, "tilt": 0.02, "blur_px": 1.3},
}
"""Bars must lie along the picture's edge to within some degrees for either reader; matrix codes need not."""


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize(("encoder", "symbology"), ENCODERS)
def test_an_independent_symbol_reads_back_exactly(encoder: str, symbology: str, view: str, tmp_path: Path) -> None:
    views = BAR_VIEWS if symbology.startswith("Code") else VIEWS
    symbol_as_made = encode(encoder, symbology, TEXTS[symbology], tmp_path)
    picture = photograph(symbol_as_made, 1, **views[view])  # type: ignore[arg-type]
    (symbol,) = read_symbols(picture)
    assert (symbol.text, symbol.raw, symbology) == (TEXTS[symbology], TEXTS[symbology].encode(), symbol.symbology)
    xs, ys = [x for x, _ in symbol.points], [y for _, y in symbol.points]
    assert min(xs) < 480 < max(xs) and min(ys) - 60 < 360 < max(ys) + 60


def test_both_readers_are_named_where_both_read(tmp_path: Path) -> None:
    (qr,) = read_symbols(photograph(encode("segno", "QR Code", "BC1:J:A-12:4", tmp_path), 1))
    for symbology in ("Code 128", "Code 39"):
        (bars,) = read_symbols(encode("zint", symbology, "A-12", tmp_path))
        assert bars.readers == ("zxing-cpp", "zbar")
    (matrix,) = read_symbols(photograph(encode("zint", "Data Matrix", "BC1:J:A-12:4", tmp_path), 1))
    assert qr.readers == ("zxing-cpp", "zbar") and matrix.readers == ("zxing-cpp",)


def test_leading_zeros_and_separators_stay(tmp_path: Path) -> None:
    (symbol,) = read_symbols(encode("segno", "QR Code", "00417\x1dLOT7", tmp_path))
    assert symbol.raw == b"00417\x1dLOT7" and symbol.text == "00417\x1dLOT7"


def test_a_payload_is_its_bytes_whatever_a_reader_guesses(tmp_path: Path) -> None:
    """../shared/cases/public-reports.toml C19: the bytes printed are 48 37 C2 B1 32."""
    segno = pytest.importorskip("segno", reason="segno is not installed")
    segno.make(bytes.fromhex("4837C2B132"), mode="byte", micro=False).save(tmp_path / "tag.png", scale=6, border=4)
    picture = np.asarray(cv2.imread(str(tmp_path / "tag.png")), dtype=np.uint8)
    view = read_view(picture)
    assert [symbol.raw.hex().upper() for symbol in view.symbols] == ["4837C2B132"]
    assert view.symbols[0].readers == ("zxing-cpp", "zbar"), "both gave the same bytes"
    assert not barcode.is_plain(view.symbols[0].raw)


def test_two_tags_in_one_picture_are_both_returned(tmp_path: Path) -> None:
    pictures = [photograph(encode("segno", "QR Code", text, tmp_path), 1) for text in ("PN-4471", "PN-4417")]
    assert {symbol.text for symbol in read_symbols(side_by_side(*pictures))} == {"PN-4471", "PN-4417"}


@pytest.mark.parametrize("seed", range(4))
def test_nothing_is_read_where_there_is_nothing(seed: int) -> None:
    random = np.random.default_rng(seed)
    stripes = np.repeat(random.integers(0, 256, (1, 320), dtype=np.uint8), 240, axis=0)
    for picture in (stripes, random.integers(0, 256, (240, 320), dtype=np.uint8), np.zeros((240, 320), np.uint8)):
        assert read_view(picture) == View(())


def test_a_tag_worn_to_nothing_gives_nothing_rather_than_something(tmp_path: Path) -> None:
    picture = photograph(encode("zint", "Code 128", "BC1:P:SHOE-3:7", tmp_path), 1, blur_px=9.0)
    assert read_symbols(picture) == []


def _symbol(
    raw: bytes, box: tuple[int, int, int, int], symbology: str = "Code 128", reader: str = "zxing-cpp"
) -> Symbol:
    left, top, right, bottom = box
    points = ((left, top), (right, top), (right, bottom), (left, bottom))
    return Symbol(raw.decode("latin-1"), raw, symbology, points, (reader,))


HERE, THERE, INSIDE = (0, 0, 100, 50), (300, 0, 400, 50), (45, 20, 55, 30)

RECONCILED = [
    ("one reader alone counts", [(b"A", HERE)], [], [b"A"], []),
    ("zbar fills in", [], [(b"A", HERE)], [b"A"], []),
    ("zbar fills in at another place", [(b"A", HERE)], [(b"B", THERE)], [b"A", b"B"], []),
    ("both alike count once", [(b"A", HERE)], [(b"A", HERE)], [b"A"], []),
    ("where both read and differ nothing counts", [(b"A", HERE)], [(b"B", HERE)], [], [b"A", b"B"]),
    (
        "only the contested place is lost",
        [(b"A", HERE), (b"C", THERE)],
        [(b"B", HERE), (b"C", THERE)],
        [b"C"],
        [b"A", b"B"],
    ),
    ("what both agree on outweighs a stray read", [(b"A", HERE), (b"X", INSIDE)], [(b"A", HERE)], [b"A"], [b"X"]),
    ("a letter's case is a difference", [(b"a", HERE)], [(b"A", HERE)], [], [b"a", b"A"]),
    ("a lost separator is a difference", [(b"1\x1d2", HERE)], [(b"12", HERE)], [], [b"1\x1d2", b"12"]),
    ("a line of bars has a place too", [(b"A", (0, 20, 100, 20))], [(b"B", (0, 20, 100, 20))], [], [b"A", b"B"]),
]


@pytest.mark.parametrize(
    ("first", "second", "counted", "contested"), [c[1:] for c in RECONCILED], ids=[c[0] for c in RECONCILED]
)
def test_two_readers_set_against_each_other(
    first: list[tuple[bytes, tuple[int, int, int, int]]],
    second: list[tuple[bytes, tuple[int, int, int, int]]],
    counted: list[bytes],
    contested: list[bytes],
) -> None:
    view = barcode._reconcile([_symbol(*one) for one in first], [_symbol(*one, reader="zbar") for one in second])
    assert sorted(symbol.raw for symbol in view.symbols) == sorted(counted)
    assert sorted(symbol.raw for symbol in view.contested) == sorted(contested)


def test_a_small_matrix_code_inside_a_large_one_is_another_place() -> None:
    first = [_symbol(b"OUT", HERE, "QR Code"), _symbol(b"IN", INSIDE, "QR Code")]
    view = barcode._reconcile(first, [_symbol(b"OUT", HERE, "QR Code", "zbar")])
    assert [symbol.raw for symbol in view.symbols] == [b"OUT", b"IN"] and view.contested == ()


def test_a_picture_on_which_the_readers_differ_gives_nothing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    picture = encode("segno", "QR Code", "PN-4417", tmp_path)
    monkeypatch.setattr(
        barcode, "_read_zbar", lambda grey, wanted: [_symbol(b"PN-4471", (20, 20, 160, 160), "QR Code")]
    )
    view = read_view(picture)
    assert view.symbols == () and {symbol.raw for symbol in view.contested} == {b"PN-4417", b"PN-4471"}


def test_zbar_fills_in_where_zxing_finds_nothing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    picture = photograph(encode("segno", "QR Code", "PN-4417", tmp_path), 1)
    monkeypatch.setattr(barcode, "_read_zxing", lambda *_: [])
    (symbol,) = read_symbols(picture)
    assert symbol.raw == b"PN-4417" and symbol.readers == ("zbar",)


def test_a_second_look_is_taken_only_when_nothing_was_found(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    looks: list[str] = []

    def look_again(grey: Picture, matrix: tuple[str, ...]) -> View:
        looks.append("again")
        return View(())

    monkeypatch.setattr(barcode, "_look_again", look_again)
    read_symbols(encode("segno", "QR Code", "PN-4417", tmp_path))
    assert looks == []
    read_symbols(np.zeros((100, 100), np.uint8), effort="quick")
    read_symbols(np.zeros((100, 100), np.uint8), symbologies=["Code 128"])
    assert looks == [], "not when quick, and never for symbologies without error correction"
    read_symbols(np.zeros((100, 100), np.uint8))
    assert looks == ["again"]


def test_code_39_is_what_stands_under_the_bars_unless_full_ascii_is_asked_for(tmp_path: Path) -> None:
    picture = encode("zint", "Code 39", "A+A-1", tmp_path)
    assert [symbol.raw for symbol in read_symbols(picture)] == [b"A+A-1"]
    assert [symbol.raw for symbol in read_symbols(picture, code39="full ascii")] == [b"Aa-1"]


FULL_ASCII = [
    ("E+X+T+E+N+D+E+D /A%J/J/C", "Extended !?*#"),
    ("%U%V%W", "\0@`"),
    ("$A$Z%A%E%F%J%K%O%P%S", "\x01\x1a\x1b\x1f;?[_{~"),
    ("A+", "A+"),
    ("A+1", "A+1"),
    ("3PRM8N", "A123456788"),
    ("3PRM8P", "3PRM8P"),
]


@pytest.mark.parametrize(("printed", "meant"), FULL_ASCII)
def test_full_ascii_and_code_32(printed: str, meant: str) -> None:
    assert code39_full_ascii(printed) == meant


def test_every_ascii_character_survives_an_independent_full_ascii_encoder(tmp_path: Path) -> None:
    zint = encode("zint", "Code 39", "A", tmp_path)
    assert zint.size
    text = "".join(chr(code) for code in range(0x20, 0x7F))
    for part in (text[:32], text[32:64], text[64:]):
        (symbol,) = read_symbols(_zint_extended(part, tmp_path), code39="full ascii")
        assert symbol.text == part


def _zint_extended(text: str, folder: Path) -> Picture:
    (folder / "text").write_text(text)
    command = ["zint", "-b", "9", "-i", str(folder / "text"), "-o", str(folder / "e.png"), "--notext", "-w", "10"]
    subprocess.run([*command, "--scale=1"], check=True, capture_output=True)
    return np.asarray(cv2.imread(str(folder / "e.png"), cv2.IMREAD_GRAYSCALE), dtype=np.uint8)


@pytest.mark.parametrize("shape", [(0, 10), (10, 10, 4), (10,)])
def test_an_array_that_is_no_picture_is_named(shape: tuple[int, ...]) -> None:
    with pytest.raises(TagReaderError, match=r"shape \(.*\) and type uint8 cannot be read; it must be uint8"):
        read_symbols(np.zeros(shape, np.uint8))


def test_a_symbology_that_is_not_known_is_named() -> None:
    with pytest.raises(ValueError, match="Symbology 'Aztec' is not known; it must be one of QR Code"):
        read_symbols(np.zeros((10, 10), np.uint8), symbologies=["Aztec"])


def test_without_zbar_the_message_names_the_package(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_library(name: str) -> object:
        raise ImportError("Unable to find zbar shared library")

    monkeypatch.setattr(barcode, "import_module", no_library)
    barcode._zbar.cache_clear()
    with pytest.raises(
        TagReaderError, match="Unable to find zbar shared library; install it with 'apt install libzbar0'"
    ):
        read_symbols(np.zeros((10, 10), np.uint8))


def test_the_readers_numbers_are_those_of_its_own_bindings() -> None:
    pyzbar = pytest.importorskip("pyzbar.wrapper")
    names = {"QR Code": "QRCODE", "Code 128": "CODE128", "Code 39": "CODE39", "ITF": "I25", "EAN-13": "EAN13"}
    assert {name: int(pyzbar.ZBarSymbol[native]) for name, native in names.items()} == barcode._ZBAR
    assert int(pyzbar.ZBarConfig.CFG_ENABLE) == barcode._ENABLE


def test_reading_tags_knows_nothing_of_what_is_measured() -> None:
    source = Path(barcode.__file__).read_text()
    imported = {
        node.module if isinstance(node, ast.ImportFrom) else node.names[0].name
        for node in ast.walk(ast.parse(source))
        if isinstance(node, (ast.Import, ast.ImportFrom))
    }
    assert {name for name in imported if name and name.split(".")[0] in ("capture", "hardware", "server")} == {
        "capture.errors"
    }
