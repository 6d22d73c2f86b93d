"""Tag pictures: a symbol from a barcode library, printed on a label, then photographed in effect.

A scene is a bench top in millimetres with one or two labels lying on it. A pinhole camera looks at it from an
angle; then come uneven light, smears, blur, exposure, sensor noise and JPEG. The same scene is taken twice with
the hand and the exposure a little different, as two frames of a live camera would be.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import barcode  # type: ignore[import-untyped]  # ships no types
import cv2
import numpy as np
import segno
from numpy.typing import NDArray

from demo_audio.shop_sound import generator, run

Picture = NDArray[np.float32]
"""Height, width, 3 (blue, green, red), 0 to 255."""

_PX_PER_MM = 8
_BENCH_MM = (320, 240)


class PictureError(Exception):
    """A picture could not be made; the message names the value and the remedy."""


@dataclass(frozen=True, slots=True)
class Label:
    """A printed label: the payload, its symbology and the line people read."""

    text: str
    symbology: str
    title: str
    line: str
    is_metal: bool


def label_for(text: str, symbology: str) -> Label:
    """Return the label our own tag text is printed on."""
    _, kind, name, _ = text.split(":")
    titles = {"B": "BADGE", "J": "JOB", "P": "PART", "L": "PLACE", "G": "GAUGE", "T": "BASKET"}
    return Label(text, symbology, titles[kind], name, is_metal=kind == "P")


def _is_long(labels: list[Label]) -> bool:
    return any(label.symbology == "Code 128" for label in labels)


# ---- symbol and label --------------------------------------------------------------------------------


def modules(text: str, symbology: str) -> NDArray[np.uint8]:
    """Return the symbol with one cell a module, 1 dark: rows and columns, or a single row of bars.

    Raises:
        PictureError: the symbology is not known.
    """
    if symbology == "QR Code":
        return np.array([list(row) for row in segno.make(text, error="q", micro=False).matrix], dtype=np.uint8)
    if symbology == "Data Matrix":
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "symbol.png"
            run(["zint", "-b", "DATAMATRIX", "--square", "--scale=0.5", "-o", str(path), "-d", text])
            drawn = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        if drawn is None:
            raise PictureError("zint drew nothing; look at its version with zint --version")
        return (np.asarray(drawn) < 128).astype(np.uint8)
    if symbology == "Code 128":
        bars = barcode.get_barcode_class("code128")(text, writer=None).build()[0]
        return np.array([[int(bar) for bar in bars]], dtype=np.uint8)
    raise PictureError(f"Symbology {symbology!r} is not known; use QR Code, Data Matrix or Code 128")


def _write_text(face: Picture, text: str, x_mm: float, y_mm: float, height_mm: float, ink: float) -> None:
    scale = height_mm * _PX_PER_MM / 21.0
    at = (int(x_mm * _PX_PER_MM), int(y_mm * _PX_PER_MM))
    weight = max(1, round(scale))
    drawn = np.zeros(face.shape[:2], dtype=np.uint8)
    cv2.putText(drawn, text, at, cv2.FONT_HERSHEY_DUPLEX, scale, 255, weight, cv2.LINE_AA)
    cover = (drawn.astype(np.float32) / 255)[:, :, None]
    face[:] = face * (1 - cover) + ink * cover


def _paste(
    face: Picture, symbol: NDArray[np.uint8], x_mm: float, y_mm: float, w_mm: float, h_mm: float, ink: float
) -> None:
    size = (round(w_mm * _PX_PER_MM), round(h_mm * _PX_PER_MM))
    large = cv2.resize(symbol, size, interpolation=cv2.INTER_NEAREST)
    x, y = round(x_mm * _PX_PER_MM), round(y_mm * _PX_PER_MM)
    area = face[y : y + size[1], x : x + size[0]]
    area[large == 1] = ink


def print_label(label: Label) -> tuple[Picture, NDArray[np.float32]]:
    """Return the face of a label and its outline (1 inside), at 8 pixels a millimetre."""
    symbol = modules(label.text, label.symbology)
    ink = 45.0 if label.is_metal else 18.0
    if symbol.shape[0] == 1:
        module_mm = 0.42
        wide_mm, high_mm = symbol.shape[1] * module_mm + 12, 40.0
    else:
        wide_mm, high_mm = 64.0, 34.0
    shape = (round(high_mm * _PX_PER_MM), round(wide_mm * _PX_PER_MM))
    paper = (196.0, 200.0, 202.0) if label.is_metal else (228.0, 236.0, 240.0)
    face = np.full((*shape, 3), paper, dtype=np.float32)
    if label.is_metal:
        brushed = generator(label.text).standard_normal((shape[0], 1)).astype(np.float32)
        face += 4.0 * brushed[:, :, None]
    if symbol.shape[0] == 1:
        _paste(face, symbol, 6, 4, symbol.shape[1] * module_mm, 23, ink)
        _write_text(face, f"{label.title}  {label.line}", 6, 35.0, 4.0, ink)
    else:
        _paste(face, symbol, 5, 5, 24, 24, ink)
        _write_text(face, label.title, 33, 12, 3.2, ink)
        for row, part in enumerate(_lines(label.line, 9)):
            _write_text(face, part, 33, 19.5 + 6 * row, 3.6, ink)
    outline = np.zeros(shape, dtype=np.float32)
    corner = 3 * _PX_PER_MM
    cv2.rectangle(outline, (corner, 0), (shape[1] - corner, shape[0]), 1.0, -1)
    cv2.rectangle(outline, (0, corner), (shape[1], shape[0] - corner), 1.0, -1)
    for x in (corner, shape[1] - corner):
        for y in (corner, shape[0] - corner):
            cv2.circle(outline, (x, y), corner, 1.0, -1)
    if label.is_metal:
        cv2.circle(outline, (shape[1] - 4 * _PX_PER_MM, 4 * _PX_PER_MM), 2 * _PX_PER_MM, 0.0, -1)
    return face, outline


def _lines(text: str, longest: int) -> list[str]:
    lines = [""]
    for word in text.split("-"):
        joined = f"{lines[-1]}-{word}" if lines[-1] else word
        if len(joined) > longest and lines[-1]:
            lines.append(word)
        else:
            lines[-1] = joined
    return lines


# ---- bench top ---------------------------------------------------------------------------------------


def _bench_top(random: np.random.Generator, has_part: bool) -> Picture:
    """Return planks with scratches and old oil, and under a part's tag the part: a slab of turned steel."""
    width, height = (side * _PX_PER_MM for side in _BENCH_MM)
    coarse = random.standard_normal((height // 4, width // 60)).astype(np.float32)
    grain = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    fine = cv2.GaussianBlur(random.standard_normal((height, width)).astype(np.float32), (31, 1), 0)
    shade = 1.0 + 0.07 * grain + 0.22 * fine
    top = shade[:, :, None] * np.array([74.0, 104.0, 134.0], dtype=np.float32)
    for plank in range(0, height, 70 * _PX_PER_MM):
        top[plank : plank + 6] *= 0.45
    for _ in range(26):
        x, y = (int(random.integers(0, side)) for side in (width, height))
        length, slope = random.uniform(80, 700), random.uniform(-0.4, 0.4)
        end = (int(x + length), int(y + length * slope))
        tint = random.uniform(0.75, 1.2)
        cv2.line(top, (x, y), end, (74 * tint, 104 * tint, 134 * tint), int(random.integers(1, 4)), cv2.LINE_AA)
    _smear(top, random, 5, (0, 0, width, height), 0.45)
    _bolts(top, random)
    if has_part:
        _steel_slab(top, random)
    return top.astype(np.float32)


def _bolts(top: Picture, random: np.random.Generator) -> None:
    height, width = top.shape[:2]
    for x, y in ((0.09, 0.13), (0.90, 0.87), (0.88, 0.10)):
        at = (int((x + random.uniform(-0.03, 0.03)) * width), int((y + random.uniform(-0.03, 0.03)) * height))
        size = random.uniform(7, 11) * _PX_PER_MM
        turn = random.uniform(0, np.pi / 3)
        turns = [turn + side * np.pi / 3 for side in range(6)]
        corners = [(at[0] + size * np.cos(angle), at[1] + size * np.sin(angle)) for angle in turns]
        shadow = np.array([(cx + 14, cy + 18) for cx, cy in corners], dtype=np.int32)
        cv2.fillPoly(top, [shadow], (30.0, 38.0, 46.0), cv2.LINE_AA)
        cv2.fillPoly(top, [np.array(corners, dtype=np.int32)], (112.0, 116.0, 118.0), cv2.LINE_AA)
        cv2.circle(top, at, int(size * 0.78), (138.0, 141.0, 142.0), -1, cv2.LINE_AA)
        cv2.circle(top, at, int(size * 0.78), (90.0, 92.0, 94.0), 3, cv2.LINE_AA)


def _steel_slab(top: Picture, random: np.random.Generator) -> None:
    height, width = top.shape[:2]
    body = np.zeros((height, width), dtype=np.float32)
    outline = np.array([(0.17, 0.20), (0.83, 0.20), (0.91, 0.80), (0.09, 0.80)]) * (width, height)
    cv2.fillPoly(body, [outline.astype(np.int32)], 1.0)
    rounded = cv2.GaussianBlur(body, (0, 0), 14)
    body = np.clip((rounded - 0.35) / 0.3, 0, 1)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    radius = np.hypot(x - width / 2, y + height * 1.2)
    turned = np.sin(radius / 3.1) + 0.6 * np.sin(radius / 1.7 + 1.0)
    steel = 128 + 5 * turned + 3 * random.standard_normal((height, width))
    steel = steel * (0.92 + 0.16 * np.clip(rounded, 0, 1) * (x / width))
    tint = np.array([1.02, 1.0, 0.97], dtype=np.float32)
    top[:] = top * (1 - body[:, :, None]) + (steel[:, :, None] * tint) * body[:, :, None]


def _smear(
    top: Picture, random: np.random.Generator, count: int, area: tuple[int, int, int, int], strength: float
) -> None:
    """Wipe oil across an area (x, y, width, height in pixels): long soft streaks, dark brown, half transparent."""
    height, width = top.shape[:2]
    cover = np.zeros((height, width), dtype=np.float32)
    for _ in range(count):
        at = (int(area[0] + random.uniform(0, 1) * area[2]), int(area[1] + random.uniform(0, 1) * area[3]))
        axes = (int(random.uniform(60, 200)), int(random.uniform(12, 45)))
        streak = np.zeros_like(cover)
        cv2.ellipse(streak, at, axes, random.uniform(0, 180), 0, 360, random.uniform(0.5, 1.0), -1, cv2.LINE_AA)
        cover = np.maximum(cover, cv2.GaussianBlur(streak, (0, 0), random.uniform(6, 14)))
    uneven = cv2.resize(random.uniform(0.55, 1.0, (height // 40, width // 40)).astype(np.float32), (width, height))
    alpha = (strength * cover * uneven)[:, :, None]
    top[:] = top * (1 - alpha) + np.array([18.0, 32.0, 46.0], dtype=np.float32) * alpha


def scene(labels: list[Label], spoil: str, key: str) -> tuple[Picture, float]:
    """Return the bench top with its labels, and the width in mm the camera should take in.

    `spoil`: "clean", "oil" (smears across the label), "creased" (a fold through it) or "shadow".

    Raises:
        PictureError: there is no such `spoil`.
    """
    if spoil not in ("clean", "oil", "creased", "shadow"):
        raise PictureError(f"Spoil {spoil!r} is not known; use clean, oil, creased or shadow")
    random = generator(key)
    top = _bench_top(random, has_part=labels[0].is_metal)
    height, width = top.shape[:2]
    faces = [print_label(label) for label in labels]
    gap = 12 * _PX_PER_MM
    total = sum(face.shape[1] for face, _ in faces) + gap * (len(faces) - 1)
    left = (width - total) // 2
    for face, outline in faces:
        if spoil == "creased":
            face = _creased(face, random)
        area = (left, (height - face.shape[0]) // 2 + int(random.integers(-20, 20)), face.shape[1], face.shape[0])
        _lay(top, face, outline, area, random.uniform(-7, 7) * (0.4 if _is_long(labels) else 1.0))
        if spoil == "oil":
            _smear(top, random, 5, area, 0.62)
        left += face.shape[1] + gap
    if spoil == "shadow":
        _shadow(top, random)
    return top, total / _PX_PER_MM


def _lay(
    top: Picture, face: Picture, outline: NDArray[np.float32], area: tuple[int, int, int, int], turn_deg: float
) -> None:
    """Put a label on the bench, turned a little, with the thin shadow of its edge."""
    height, width = top.shape[:2]
    middle = (area[2] / 2, area[3] / 2)
    turn = cv2.getRotationMatrix2D(middle, turn_deg, 1.0)
    turn[:, 2] += (area[0], area[1])
    drop = turn.copy()
    drop[:, 2] += (5, 7)
    shade = cv2.GaussianBlur(cv2.warpAffine(outline, drop, (width, height)), (0, 0), 4)
    top *= (1 - 0.55 * shade)[:, :, None]
    cover = cv2.warpAffine(outline, turn, (width, height), flags=cv2.INTER_AREA)[:, :, None]
    laid = cv2.warpAffine(face, turn, (width, height), flags=cv2.INTER_LINEAR)
    top[:] = top * (1 - cover) + laid * cover


def _creased(face: Picture, random: np.random.Generator) -> Picture:
    """Fold a label once: what lies beyond the fold is shifted by half a millimetre and lit differently."""
    height, width = face.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    across = (x - width * random.uniform(0.3, 0.4)) * np.cos(0.5) + (y - height / 2) * np.sin(0.5)
    beyond = 1 / (1 + np.exp(-across / 3))
    shift = np.asarray(beyond * 0.35 * _PX_PER_MM, dtype=np.float32)
    folded = cv2.remap(face, x + shift, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    light = 1.0 - 0.14 * beyond + 0.35 * np.exp(-((across / 5) ** 2)) - 0.3 * np.exp(-(((across - 9) / 5) ** 2))
    return np.asarray(folded * light[:, :, None], dtype=np.float32)


def _shadow(top: Picture, random: np.random.Generator) -> None:
    """Darken one side, as an arm between lamp and bench does."""
    height, width = top.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    angle = random.uniform(-0.6, 0.6)
    across = (x - width * random.uniform(0.46, 0.54)) * np.cos(angle) + (y - height / 2) * np.sin(angle)
    top *= (1 - 0.5 / (1 + np.exp(-across / 9)))[:, :, None]


# ---- camera ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Shot:
    """How one frame is taken: angles in degrees, gain of the exposure, motion in pixels."""

    tilt_deg: float
    swing_deg: float
    roll_deg: float
    shift_mm: tuple[float, float]
    gain: float
    defocus_px: float
    motion_px: float
    motion_deg: float
    noise: float


def shots(key: str, steadiness: float) -> tuple[Shot, Shot]:
    """Return two shots of one view: the hand moved a little, the exposure changed.

    `steadiness` divides how askew the camera is held: people hold it straighter to a long bar code.
    """
    random = generator(f"{key}/camera")
    tilt, swing, roll = random.uniform(14, 26) * random.choice([-1, 1]), random.uniform(-20, 20), random.uniform(-9, 9)
    tilt, swing, roll = tilt / steadiness, swing / steadiness, roll / steadiness
    first, second = (random.permutation([1.08, 0.74])[k] for k in (0, 1))

    def shot(gain: float, jitter: float) -> Shot:
        return Shot(
            tilt_deg=tilt + jitter * random.uniform(-1.5, 1.5),
            swing_deg=swing + jitter * random.uniform(-1.5, 1.5),
            roll_deg=roll + jitter * random.uniform(-2, 2),
            shift_mm=(random.uniform(-4, 4), random.uniform(-4, 4)),
            gain=gain,
            defocus_px=random.uniform(0.5, 0.9),
            motion_px=random.uniform(0.0, 1.5),
            motion_deg=random.uniform(0, 180),
            noise=random.uniform(2.0, 3.5),
        )

    return shot(float(first), 0.0), shot(float(second), 1.0)


def take(top: Picture, wide_mm: float, shot: Shot, size: tuple[int, int], key: str) -> NDArray[np.uint8]:
    """Photograph a bench top: perspective, light, blur, exposure, noise. `size`: width, height in pixels."""
    random = generator(key)
    width, height = size[0] * 2, size[1] * 2
    seen_by = _homography(shot, wide_mm, width, height)
    view = cv2.warpPerspective(top, seen_by, (width, height), flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REFLECT)
    light = _light(width, height, generator(f"{key.rpartition('/')[0]}/light"))
    lit = np.asarray(cv2.GaussianBlur(view * light[:, :, None], (0, 0), 2 * shot.defocus_px), dtype=np.float32)
    small = np.asarray(cv2.resize(_moved(lit, shot), size, interpolation=cv2.INTER_AREA), dtype=np.float32) * shot.gain
    grainy = small + random.standard_normal(small.shape) * (shot.noise * np.sqrt(np.maximum(small, 8) / 128))
    bright = np.where(grainy > 215, 215 + (grainy - 215) * 0.5, grainy)  # a sensor's shoulder
    return np.asarray(np.clip(np.round(bright), 0, 255), dtype=np.uint8)


def _homography(shot: Shot, wide_mm: float, width: int, height: int) -> NDArray[np.float64]:
    """Return bench pixels -> picture pixels for a pinhole camera that looks at the middle of the bench."""
    tilt, swing, roll = (np.radians(a) for a in (shot.tilt_deg, shot.swing_deg, shot.roll_deg))
    about_x = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    about_y = np.array([[np.cos(swing), 0, np.sin(swing)], [0, 1, 0], [-np.sin(swing), 0, np.cos(swing)]])
    about_z = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
    turned = about_z @ about_y @ about_x
    focal_px = 1.2 * width
    away_mm = focal_px * wide_mm / (0.78 * width)
    lens = np.array([[focal_px, 0, width / 2], [0, focal_px, height / 2], [0, 0, 1]])
    to_mm = np.array(
        [
            [1 / _PX_PER_MM, 0, -_BENCH_MM[0] / 2 + shot.shift_mm[0]],
            [0, 1 / _PX_PER_MM, -_BENCH_MM[1] / 2 + shot.shift_mm[1]],
            [0, 0, 1],
        ]
    )
    flat = np.column_stack([turned[:, 0], turned[:, 1], [0.0, 0.0, away_mm]])
    return np.asarray(lens @ flat @ to_mm, dtype=np.float64)


def _light(width: int, height: int, random: np.random.Generator) -> NDArray[np.float32]:
    """Return how brightly each place is lit: a lamp at one side, a soft hot spot, darker corners."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    x, y = x / width - 0.5, y / height - 0.5
    angle = random.uniform(0, 2 * np.pi)
    slope = 0.45 * (x * np.cos(angle) + y * np.sin(angle))
    spot = np.array([random.uniform(-0.35, 0.35), random.uniform(-0.3, 0.3)])
    hot = 0.28 * np.exp(-((x - spot[0]) ** 2 + (y - spot[1]) ** 2) / 0.02)
    return np.asarray(0.92 + slope + hot - 0.5 * (x**2 + y**2), dtype=np.float32)


def _moved(picture: Picture, shot: Shot) -> Picture:
    length = int(2 * shot.motion_px)
    if length < 2:
        return picture
    kernel = np.zeros((length * 2 + 1, length * 2 + 1), dtype=np.float32)
    angle = np.radians(shot.motion_deg)
    end = (round(length + length / 2 * np.cos(angle)), round(length + length / 2 * np.sin(angle)))
    start = (2 * length - end[0], 2 * length - end[1])
    cv2.line(kernel, start, end, 1.0, 1)
    return np.asarray(cv2.filter2D(picture, -1, kernel / kernel.sum()), dtype=np.float32)


def photograph(labels: list[Label], spoil: str, key: str, size: tuple[int, int]) -> list[NDArray[np.uint8]]:
    """Return two frames of one view of these labels."""
    top, wide_mm = scene(labels, spoil, key)
    views = shots(key, 2.0 if _is_long(labels) else 1.0)
    return [take(top, wide_mm, shot, size, f"{key}/{n}") for n, shot in enumerate(views, start=1)]


def write(frame: NDArray[np.uint8], path: Path) -> None:
    """Write a frame as JPEG, quality 80."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if not cv2.imwrite(str(path), frame, [cv2.IMWRITE_JPEG_QUALITY, 80]):
        raise PictureError(f"Picture {path.name!r} could not be written; look at the disk")
