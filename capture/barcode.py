"""Pictures to tags: two readers behind one, and the rule for when a read counts.

The payload rule, settled once: the payload of a symbol is its bytes (`Symbol.raw`), as printed, control
characters included and nothing added; two reads are equal when their bytes are. `Symbol.text` is those bytes for
people, with the character set the symbol declares or the reader guesses. Nothing here interprets a payload, and a
tag counts only if its bytes are printable ASCII and group separators, where there is nothing to guess.

Code 39 is taken as the characters under the bars. Full ASCII pairs ("+A" for "a") and Code 32 are read that way
only if asked for, as a plain tag that happens to hold "+A" would otherwise become another tag.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from ctypes import c_char_p, c_void_p, cast, string_at
from dataclasses import dataclass, field, replace
from functools import cache
from importlib import import_module
from typing import Any, Literal

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

from capture.errors import CaptureError

Picture = NDArray[np.uint8]
Point = tuple[int, int]

SYMBOLOGIES = ("QR Code", "Data Matrix", "Code 128", "Code 39")
"""What the bench reads. ITF and EAN-13 are only read when asked for: they are weak and no tag of ours."""

ALL_SYMBOLOGIES = (*SYMBOLOGIES, "ITF", "EAN-13")

_MATRIX = frozenset({"QR Code", "Data Matrix"})
_NATIVE = {
    "QR Code": zxingcpp.BarcodeFormat.QRCode,
    "Data Matrix": zxingcpp.BarcodeFormat.DataMatrix,
    "Code 128": zxingcpp.BarcodeFormat.Code128,
    "Code 39": zxingcpp.BarcodeFormat.Code39Std,
    "ITF": zxingcpp.BarcodeFormat.ITF,
    "EAN-13": zxingcpp.BarcodeFormat.EAN13,
}
_NAMES = {native: name for name, native in _NATIVE.items()} | {zxingcpp.BarcodeFormat.Code39: "Code 39"}
_ZBAR = {"QR Code": 64, "Code 128": 128, "Code 39": 39, "ITF": 25, "EAN-13": 13}
"""zbar's numbers of its symbologies (zbar.h, zbar_symbol_type_t); it reads no Data Matrix."""
_ZBAR_NAMES = {number: name for name, number in _ZBAR.items()}

_ENABLE, _BINARY = 0, 4
"""ZBAR_CFG_ENABLE and ZBAR_CFG_BINARY of zbar.h, 0.23.1 and later: bytes as printed, no guessed character set."""
_GREY = 0x30303859
"""The four characters "Y800", zbar's name for one grey byte a pixel."""

_SECOND_LOOK_PX = 1_000_000
"""Pictures above this many pixels are not enlarged for a second look."""


class TagReaderError(CaptureError):
    """A library that reads tags is not installed, or a picture has the wrong shape."""


@dataclass(frozen=True, slots=True)
class Symbol:
    """One symbol found in a picture.

    `raw`: its payload, see the module; `text`: the same for people; `symbology`: one of `ALL_SYMBOLOGIES`;
    `points`: corners in px, (x, y), clockwise or not as the reader gave them; `readers`: who read it;
    `identifier`: AIM symbology identifier ("]C1" for GS1-128), "" when the reader does not tell.
    """

    text: str
    raw: bytes
    symbology: str
    points: tuple[Point, ...]
    readers: tuple[str, ...] = ()
    identifier: str = ""


@dataclass(frozen=True, slots=True)
class View:
    """What is in a picture: `symbols` that count, `contested` ones on which the two readers differ."""

    symbols: tuple[Symbol, ...]
    contested: tuple[Symbol, ...] = ()


Effort = Literal["quick", "thorough"]
Code39 = Literal["printed", "full ascii"]


def read_symbols(
    frame: Picture,
    *,
    symbologies: Iterable[str] = SYMBOLOGIES,
    code39: Code39 = "printed",
    effort: Effort = "thorough",
) -> list[Symbol]:
    """Return the symbols in a picture that count; see `read_view`."""
    return list(read_view(frame, symbologies=symbologies, code39=code39, effort=effort).symbols)


def read_view(
    frame: Picture,
    *,
    symbologies: Iterable[str] = SYMBOLOGIES,
    code39: Code39 = "printed",
    effort: Effort = "thorough",
) -> View:
    """Read a picture with zxing-cpp and zbar and set one against the other.

    zbar fills in wherever zxing-cpp finds nothing; where both read and differ nothing counts. If neither finds
    anything and the effort is thorough, zxing-cpp looks twice more, at the picture enlarged and at it softened,
    for symbologies with error correction only.

    Args:
        frame: uint8, (h, w, 3) blue-green-red or (h, w) grey.
        symbologies: some of `ALL_SYMBOLOGIES`.
        code39: "full ascii" also undoes full ASCII pairs and Code 32.
        effort: "quick" leaves the second look out.

    Raises:
        TagReaderError: the array has another shape or type; zbar's library is missing.
        ValueError: a symbology that is not known.
    """
    grey = _as_grey(frame)
    wanted = tuple(symbologies)
    for name in wanted:
        if name not in _NATIVE:
            raise ValueError(f"Symbology {name!r} is not known; it must be one of {', '.join(ALL_SYMBOLOGIES)}")
    view = _reconcile(_read_zxing(grey, wanted), _read_zbar(grey, wanted))
    matrix = tuple(name for name in wanted if name in _MATRIX)
    if effort == "thorough" and matrix and not (view.symbols or view.contested):
        view = _look_again(grey, matrix)
    return view if code39 == "printed" else replace(view, symbols=tuple(map(_full_ascii, view.symbols)))


def _as_grey(frame: Picture) -> Picture:
    is_colour = frame.ndim == 3 and frame.shape[2] == 3
    if frame.dtype != np.uint8 or not (is_colour or frame.ndim == 2) or not frame.size:
        raise TagReaderError(
            f"A picture of shape {frame.shape} and type {frame.dtype} cannot be read;"
            " it must be uint8, (h, w, 3) or (h, w)"
        )
    return np.ascontiguousarray(cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY) if is_colour else frame, dtype=np.uint8)


@cache
def _formats(symbologies: tuple[str, ...]) -> zxingcpp.BarcodeFormats:
    return zxingcpp.BarcodeFormats([_NATIVE[name] for name in symbologies])


def _read_zxing(
    grey: Picture, symbologies: Sequence[str], binarizer: zxingcpp.Binarizer = zxingcpp.Binarizer.LocalAverage
) -> list[Symbol]:
    found = zxingcpp.read_barcodes(
        grey,
        formats=_formats(tuple(symbologies)),
        text_mode=zxingcpp.TextMode.Plain,
        binarizer=binarizer,
    )
    return [
        Symbol(
            barcode.text,
            bytes(barcode.bytes),
            _NAMES[barcode.format],
            tuple(
                (point.x, point.y)
                for point in (
                    barcode.position.top_left,
                    barcode.position.top_right,
                    barcode.position.bottom_right,
                    barcode.position.bottom_left,
                )
            ),
            ("zxing-cpp",),
            barcode.symbology_identifier,
        )
        for barcode in found
        if barcode.format in _NAMES
    ]


@cache
def _zbar() -> Any:
    """Return pyzbar's bindings, loaded once.

    Raises:
        TagReaderError: pyzbar or zbar's library is not installed.
    """
    try:
        return import_module("pyzbar.wrapper")
    except (ImportError, OSError) as error:
        raise TagReaderError(
            f"Tag reader 'zbar' cannot be used: {error};"
            " install it with 'apt install libzbar0' and 'pip install pyzbar'"
        ) from error


def _read_zbar(grey: Picture, symbologies: Sequence[str]) -> list[Symbol]:
    zbar = _zbar()
    height, width = grey.shape
    pixels = grey.tobytes()
    scanner, image = zbar.zbar_image_scanner_create(), zbar.zbar_image_create()
    try:
        # Number 0 stands for every symbology.
        zbar.zbar_image_scanner_set_config(scanner, 0, _ENABLE, 0)
        for name in symbologies:
            if name in _ZBAR:
                zbar.zbar_image_scanner_set_config(scanner, _ZBAR[name], _ENABLE, 1)
        zbar.zbar_image_scanner_set_config(scanner, _ZBAR["QR Code"], _BINARY, 1)
        zbar.zbar_image_set_format(image, _GREY)
        zbar.zbar_image_set_size(image, width, height)
        zbar.zbar_image_set_data(image, cast(c_char_p(pixels), c_void_p), len(pixels), None)
        zbar.zbar_scan_image(scanner, image)
        return list(_zbar_symbols(zbar, image))
    finally:
        zbar.zbar_image_destroy(image)
        zbar.zbar_image_scanner_destroy(scanner)


def _zbar_symbols(zbar: Any, image: Any) -> Iterable[Symbol]:
    symbol = zbar.zbar_image_first_symbol(image)
    while symbol:
        name = _ZBAR_NAMES.get(symbol.contents.type)
        if name is not None:
            raw = string_at(zbar.zbar_symbol_get_data(symbol), zbar.zbar_symbol_get_data_length(symbol))
            points = tuple(
                (int(zbar.zbar_symbol_get_loc_x(symbol, index)), int(zbar.zbar_symbol_get_loc_y(symbol, index)))
                for index in range(zbar.zbar_symbol_get_loc_size(symbol))
            )
            yield Symbol(_as_text(raw), raw, name, points, ("zbar",))
        symbol = zbar.zbar_symbol_next(symbol)


def _as_text(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _look_again(grey: Picture, symbologies: Sequence[str]) -> View:
    if grey.size <= _SECOND_LOOK_PX:
        larger = cv2.resize(grey, None, fx=1.5, fy=1.5, interpolation=cv2.INTER_CUBIC)
        found = _read_zxing(np.asarray(larger, dtype=np.uint8), symbologies)
        if found:
            return View(
                tuple(
                    replace(one, points=tuple((round(x / 1.5), round(y / 1.5)) for x, y in one.points)) for one in found
                )
            )
    softer = cv2.GaussianBlur(grey, (0, 0), 1.0)
    return View(tuple(_read_zxing(np.asarray(softer, dtype=np.uint8), symbologies, zxingcpp.Binarizer.GlobalHistogram)))


def _reconcile(first: list[Symbol], second: list[Symbol]) -> View:
    """Set the finds of two readers against each other.

    A symbol counts unless the other reader, at the same place, read something else and never the same. One that
    both read counts even if one of them read something else beside it at that place.
    """
    counted: list[Symbol] = []
    contested: list[Symbol] = []
    for mine, others, is_first in ((first, second, True), (second, first, False)):
        for symbol in mine:
            rivals = [other for other in others if _is_same_place(symbol, other)]
            agreeing = [other for other in rivals if other.raw == symbol.raw]
            if rivals and not agreeing:
                contested.append(symbol)
            elif agreeing and is_first:
                counted.append(replace(symbol, readers=(*symbol.readers, *agreeing[0].readers)))
            elif not agreeing:
                counted.append(symbol)
    return View(tuple(counted), tuple(contested))


def _is_same_place(one: Symbol, other: Symbol) -> bool:
    """Say whether two finds lie on each other. A small code printed inside a large one is another place."""
    a, b = _box(one.points), _box(other.points)
    across = min(a[2], b[2]) - max(a[0], b[0])
    down = min(a[3], b[3]) - max(a[1], b[1])
    if across <= 0 or down <= 0:
        return False
    area_a, area_b = (a[2] - a[0]) * (a[3] - a[1]), (b[2] - b[0]) * (b[3] - b[1])
    if {one.symbology, other.symbology} <= _MATRIX:
        return across * down > 0.3 * max(area_a, area_b)
    return across * down > 0.3 * min(area_a, area_b)


def _box(points: Sequence[Point]) -> tuple[int, int, int, int]:
    """Return left, top, right, bottom of the points, at least two pixels wide: a line of bars may have no height.

    >>> _box(((3, 5), (9, 5)))
    (3, 4, 9, 6)
    """
    xs, ys = [x for x, _ in points] or [0], [y for _, y in points] or [0]
    left, top, right, bottom = min(xs), min(ys), max(xs), max(ys)
    thin_x, thin_y = right - left < 2, bottom - top < 2
    return left - thin_x, top - thin_y, right + thin_x, bottom + thin_y


_DIGITS32 = "0123456789BCDFGHJKLMNPQRSTUVWXYZ"


def _full_ascii(symbol: Symbol) -> Symbol:
    if symbol.symbology != "Code 39":
        return symbol
    text = code39_full_ascii(symbol.text)
    return replace(symbol, text=text, raw=text.encode("latin-1"))


def code39_full_ascii(printed: str) -> str:
    """Return what Code 39 characters mean in full ASCII, or as Code 32; the characters themselves if neither fits.

    Source: ISO/IEC 16388 annex on full ASCII; Code 32: Italian Ministerial Decree of 10 June 1983 (base 32 of the
    digits and the consonants, a check digit of doubled odd places).

    >>> code39_full_ascii("A+A-1"), code39_full_ascii("3PRM8N"), code39_full_ascii("A+")
    ('Aa-1', 'A123456788', 'A+')
    """
    if len(printed) == 6 and all(one in _DIGITS32 for one in printed):
        value = 0
        for one in printed:
            value = value * 32 + _DIGITS32.index(one)
        digits = str(value).rjust(9, "0")
        doubled = [int(one) * (1 + place % 2) for place, one in enumerate(digits[:8])]
        if len(digits) == 9 and sum(one // 10 + one % 10 for one in doubled) % 10 == int(digits[8]):
            return f"A{digits}"
    out, rest = "", printed
    while rest:
        pair = _FULL_ASCII.get(rest[:2])
        if pair is None and rest[0] in "$%/+":
            return printed
        out, rest = (out + rest[0], rest[1:]) if pair is None else (out + pair, rest[2:])
    return out


def _full_ascii_pairs() -> dict[str, str]:
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    pairs = {"$" + one: chr(1 + at) for at, one in enumerate(letters)}
    pairs |= {"+" + one: one.lower() for one in letters}
    pairs |= {"/" + one: chr(33 + at) for at, one in enumerate(letters[:15])} | {"/Z": ":"}
    for part, start in (("ABCDE", 27), ("FGHIJ", 59), ("KLMNO", 91), ("PQRST", 123)):
        pairs |= {"%" + one: chr(start + at) for at, one in enumerate(part)}
    return pairs | {"%U": "\0", "%V": "@", "%W": "`", "%X": "\x7f", "%Y": "\x7f", "%Z": "\x7f"}


_FULL_ASCII = _full_ascii_pairs()


@dataclass(frozen=True, slots=True)
class TagRead:
    """A tag that counts. `text` and `raw` are the same printable ASCII (and group separators); `first_s`, `at_s`:
    when the first and the deciding picture were taken, s; `reads`: how many different pictures agreed."""

    text: str
    raw: bytes
    symbology: str
    first_s: float
    at_s: float
    reads: int
    identifier: str = ""


REASONS = ("two tags in view", "reads disagree", "not plain text", "picture stands still")


@dataclass(frozen=True, slots=True)
class TagRefusal:
    """Why nothing was taken: `reason` one of `REASONS`, `detail` for the screen, `at_s` of the picture, s."""

    reason: str
    detail: str
    at_s: float


AGREEING = 2
"""Different pictures that must agree."""
LEAD_IN_DISPUTE = 2
"""By how many pictures one payload must lead when any other was read since the first."""
WINDOW_S = 1.5
"""The agreeing pictures lie within this time, s."""
AWAY_S = 1.0
"""A tag is reported again only after it was out of view this long, s."""


def is_plain(raw: bytes) -> bool:
    """Say whether a payload is not empty and all printable ASCII or group separators.

    >>> is_plain(b"PN-4417"), is_plain(b"H7\\xc2\\xb12"), is_plain(b"")
    (True, False, False)
    """
    return bool(raw) and all(0x20 <= one <= 0x7E or one == 0x1D for one in raw)


def picture_digest(frame: Picture) -> bytes:
    """Return a digest of a picture's pixels: equal for one still shown twice, different for two exposures."""
    return hashlib.blake2b(np.ascontiguousarray(frame).tobytes(), digest_size=16).digest()


@dataclass(slots=True)
class _Candidates:
    """Reads since the first that has not been settled."""

    first_s: float
    pictures: dict[bytes, set[bytes]] = field(default_factory=dict)
    repeats: int = 0

    def leads(self, raw: bytes) -> bool:
        others = [len(seen) for other, seen in self.pictures.items() if other != raw]
        mine = len(self.pictures[raw])
        return mine >= AGREEING if not others else mine - max(others) >= LEAD_IN_DISPUTE


class TagWatcher:
    """Decide from one picture after another when a tag counts. No clock: times are those of the pictures.

    A payload counts once two different pictures within 1.5 s agree on it and no other payload was read since the
    first; if one was, it must lead by two, else the reads are refused as disagreeing when the time is up. One
    picture that comes again (a still, a stuck camera) is never a second read.
    """

    def __init__(self, read: Callable[[Picture], View] | None = None) -> None:
        self._read = read or read_view
        self._since_s = float("-inf")
        self._candidates: _Candidates | None = None
        self._reported: dict[bytes, float] = {}
        self._refused: dict[tuple[str, frozenset[bytes]], float] = {}

    def begin(self, at_s: float) -> None:
        """Start afresh: pictures taken before `at_s` (s) no longer count, nor does what was read in them."""
        self._since_s = at_s
        self._candidates = None
        self._reported.clear()
        self._refused.clear()

    def see(self, frame: Picture, at_s: float) -> TagRead | TagRefusal | None:
        """Read a picture taken at `at_s` (s) and return what it settles."""
        return self.consider(self._read(frame).symbols, picture_digest(frame), at_s)

    def consider(self, symbols: Sequence[Symbol], digest: bytes, at_s: float) -> TagRead | TagRefusal | None:
        """Return what the symbols of one picture settle: a tag, a refusal, or nothing yet.

        Args:
            symbols: that count in the picture.
            digest: of the picture, see `picture_digest`.
            at_s: when it was taken, s; pictures come in order.
        """
        if at_s < self._since_s:
            return None
        self._forget(at_s)
        expired = self._expire(at_s)
        if expired is not None:
            return expired
        by_payload = {symbol.raw: symbol for symbol in symbols}
        payloads = frozenset(by_payload)
        texts = ", ".join(repr(symbol.text) for symbol in by_payload.values())
        if not payloads:
            return None
        if len(payloads) > 1:
            self._candidates = None
            self._hold(payloads, at_s)
            return self._refuse("two tags in view", f"in view at once: {texts}; show one tag", payloads, at_s)
        (raw,) = payloads
        if not is_plain(raw):
            return self._refuse(
                "not plain text", f"tag {texts} is not plain ASCII; print it again in plain letters", payloads, at_s
            )
        if raw in self._reported:
            self._hold(payloads, at_s)
            return None
        return self._vote(by_payload[raw], digest, at_s)

    def _vote(self, symbol: Symbol, digest: bytes, at_s: float) -> TagRead | None:
        candidates = self._candidates = self._candidates or _Candidates(at_s)
        seen = candidates.pictures.setdefault(symbol.raw, set())
        if digest in seen:
            candidates.repeats += 1
        seen.add(digest)
        if not candidates.leads(symbol.raw):
            return None
        self._candidates = None
        self._reported[symbol.raw] = at_s
        text = symbol.raw.decode("ascii")
        return TagRead(
            text, symbol.raw, symbol.symbology, candidates.first_s, at_s, len(seen), identifier=symbol.identifier
        )

    def _expire(self, at_s: float) -> TagRefusal | None:
        candidates = self._candidates
        if candidates is None or at_s - candidates.first_s <= WINDOW_S:
            return None
        self._candidates = None
        payloads = frozenset(candidates.pictures)
        texts = ", ".join(repr(raw.decode("ascii")) for raw in sorted(payloads))
        if len(payloads) > 1:
            return self._refuse("reads disagree", f"read as {texts}; show the tag again", payloads, at_s)
        if candidates.repeats >= AGREEING:
            return self._refuse(
                "picture stands still", f"{texts} was only seen in one picture; check the camera", payloads, at_s
            )
        return None

    def _refuse(self, reason: str, detail: str, payloads: frozenset[bytes], at_s: float) -> TagRefusal | None:
        """Return a refusal the first time; while the same goes on it is not said again."""
        is_new = (reason, payloads) not in self._refused
        self._refused[reason, payloads] = at_s
        return TagRefusal(reason, detail, at_s) if is_new else None

    def _hold(self, payloads: frozenset[bytes], at_s: float) -> None:
        for raw in payloads & self._reported.keys():
            self._reported[raw] = at_s

    def _forget(self, at_s: float) -> None:
        self._reported = {raw: seen_s for raw, seen_s in self._reported.items() if at_s - seen_s < AWAY_S}
        self._refused = {key: seen_s for key, seen_s in self._refused.items() if at_s - seen_s < AWAY_S}
