"""Flat pictures that are laid on drawn bodies: grain, floor, card and ruler faces. Linear blue-green-red, float32."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Single = NDArray[np.float32]

FACE_PX_PER_MM = 10.0
"""Fineness of card and ruler faces: ten to the millimetre puts every millimetre tick on whole texels."""


def linear(rgb: tuple[float, float, float]) -> NDArray[np.float64]:
    """sRGB 0..255 to linear blue, green, red."""
    v = np.array(rgb[::-1], float) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


WOODS: dict[str, NDArray[np.float64]] = {
    "oak": linear((196, 150, 92)),
    "maple": linear((226, 196, 146)),
    "beech": linear((218, 172, 124)),
    "cherry": linear((196, 104, 66)),
    "mahogany": linear((136, 62, 42)),
    "walnut": linear((112, 74, 52)),
    "black": linear((48, 46, 50)),
    "white": linear((226, 224, 214)),
    "green": linear((66, 104, 88)),
    "grey": linear((150, 144, 136)),
    "blue": linear((58, 84, 128)),
}
"""Reflectance of frames (made up to look like the shared pictures)."""

PAINTED = ("black", "white", "green", "grey", "blue")
RAW_WOOD = linear((222, 178, 122))


def noise_tile(rng: np.random.Generator, size: int, along: float, across: float) -> Single:
    """Square tile of repeating smooth noise, zero mean, unit spread; ``along`` and ``across``: blurs in texels."""
    fx, fy = np.fft.rfftfreq(size), np.fft.fftfreq(size)
    spectrum = np.fft.rfft2(rng.standard_normal((size, size)))
    spectrum *= np.exp(-2 * np.pi**2 * ((fx[None] * along) ** 2 + (fy[:, None] * across) ** 2))
    tile = np.fft.irfft2(spectrum, (size, size))
    return np.asarray((tile - tile.mean()) / tile.std(), np.float32)


def look_up(tile: Single, u: Single, v: Single) -> Single:
    """Bilinear values of a repeating tile at texel coordinates of any shape."""
    n = u.size
    wide = min(n, 4096)
    tall = -(-n // wide)
    flat_u, flat_v = np.zeros(wide * tall, np.float32), np.zeros(wide * tall, np.float32)
    flat_u[:n], flat_v[:n] = u.ravel(), v.ravel()
    h, w = tile.shape[:2]
    flat_u %= w
    flat_v %= h
    got = cv2.remap(
        tile, flat_u.reshape(tall, wide), flat_v.reshape(tall, wide), cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP
    )
    got = got.reshape(tall * wide, *tile.shape[2:])[:n]
    return np.asarray(got.reshape(u.shape + tile.shape[2:]), np.float32)


def look_up_clamped(picture: Single, u: Single, v: Single) -> Single:
    """Bilinear values of a picture at flat texel coordinates, held at its border."""
    n = u.size
    wide = min(max(n, 1), 4096)
    tall = -(-n // wide)
    flat_u, flat_v = np.zeros(wide * tall, np.float32), np.zeros(wide * tall, np.float32)
    flat_u[:n], flat_v[:n] = u, v
    got = cv2.remap(
        picture,
        flat_u.reshape(tall, wide),
        flat_v.reshape(tall, wide),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(got.reshape(tall * wide, *picture.shape[2:])[:n], np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Floor:
    """A repeating floor: one texel is ``texel_mm``."""

    tile: Single
    texel_mm: float
    turn_deg: float


def floor(rng: np.random.Generator, kind: str) -> Floor:
    """Carpet (blotchy), weave or planks."""
    size = 1024
    if kind == "planks":
        base = linear(((168, 112, 72), (150, 108, 70), (186, 128, 88), (120, 90, 66))[rng.integers(4)])
        fine, broad = noise_tile(rng, size, 40, 1.2), noise_tile(rng, size, 90, 5)
        value = 1 + 0.16 * broad + 0.08 * fine
        plank = 128
        for i in range(size // plank):
            value[i * plank : (i + 1) * plank] *= 1 + 0.07 * rng.standard_normal()
            value[i * plank : i * plank + 3] *= 0.22
        tile = base[None, None] * value[..., None] ** np.array([1.15, 1.05, 0.95])
        texel = 0.9
    else:
        grey = rng.random() < 0.5
        hue = np.array([1.0, 1.0, 1.0]) if grey else rng.uniform(0.08, 1.0, 3) ** 1.5
        base = hue / hue.max() * rng.uniform(0.05, 0.5)
        if kind == "carpet":
            value = (
                1
                + 0.22 * noise_tile(rng, size, 4, 4)
                + 0.12 * noise_tile(rng, size, 1.2, 1.2)
                + 0.10 * noise_tile(rng, size, 30, 30)
            )
        else:
            x = np.arange(size)
            cell = int(rng.integers(12, 22))
            ridge = np.abs(np.sin(np.pi * x / cell))
            value = (0.72 + 0.28 * ridge[None] ** 0.5) * (0.72 + 0.28 * ridge[:, None] ** 0.5)
            value = value * (1 + 0.10 * noise_tile(rng, size, 6, 6) + 0.08 * noise_tile(rng, size, 1, 1))
        tile = base[None, None] * value[..., None]
        texel = 0.8
    return Floor(tile=np.clip(tile, 0.005, 1).astype(np.float32), texel_mm=texel, turn_deg=float(rng.uniform(-25, 25)))


def card_face(rng: np.random.Generator, wood: NDArray[np.float64]) -> Single:
    """A bank card's artwork, 85.6 x 53.98 mm: gradient, blobs, chip, text, stripe, logo; some plain or like wood."""
    w, h = 856, 540
    style = rng.choice(["gradient", "blobs", "plain", "wood", "photo"], p=[0.35, 0.25, 0.2, 0.1, 0.1])
    one, two = rng.uniform(0.01, 0.9, 3) ** 1.3, rng.uniform(0.01, 0.9, 3) ** 1.3
    yy, xx = np.mgrid[:h, :w].astype(np.float32)
    turn = rng.uniform(0, 2 * np.pi)
    ramp = ((xx - w / 2) * np.cos(turn) + (yy - h / 2) * np.sin(turn)) / w + 0.5
    if style == "plain":
        one = two = np.full(3, rng.choice([0.02, 0.3, 0.8])) * rng.uniform(0.8, 1.1, 3)
    if style == "wood":
        one, two = wood * 0.85, wood * 1.1
    mix = np.clip(ramp, 0, 1)
    if style in ("blobs", "photo"):
        soft = cv2.GaussianBlur(
            rng.standard_normal((h // 4, w // 4)).astype(np.float32), (0, 0), 12 if style == "blobs" else 5
        )
        mix = np.clip(
            mix * 0.6 + 0.2 + 0.25 * cv2.resize(soft / soft.std(), (w, h), interpolation=cv2.INTER_CUBIC), 0, 1
        )
    face = one[None, None] * (1 - mix[..., None]) + two[None, None] * mix[..., None]
    face = np.ascontiguousarray(face, np.float32)
    ink = (0.01, 0.01, 0.01) if face.mean() > 0.15 else (0.75, 0.75, 0.75)
    if rng.random() < 0.45:
        y = int(rng.uniform(40, 90))
        cv2.rectangle(face, (0, y), (w, y + 100), (0.012, 0.012, 0.012), -1)
    if rng.random() < 0.8:
        x, y = int(rng.uniform(60, 140)), int(rng.uniform(190, 250))
        cv2.rectangle(face, (x, y), (x + 110, y + 86), tuple(float(v) for v in linear((226, 178, 74))), -1)
        for k in (30, 58):
            cv2.line(face, (x, y + k), (x + 110, y + k), (0.08, 0.16, 0.25), 2)
    for row in range(int(rng.integers(1, 4))):
        x, y = int(rng.uniform(60, 160)), 330 + row * int(rng.uniform(48, 62))
        while x < w * rng.uniform(0.5, 0.9):
            run = int(rng.uniform(10, 46))
            cv2.rectangle(face, (x, y), (x + run, y + 20), ink, -1)
            x += run + int(rng.uniform(10, 18))
    if rng.random() < 0.5:
        cv2.circle(
            face,
            (int(rng.uniform(680, 780)), int(rng.uniform(90, 440))),
            int(rng.uniform(30, 55)),
            tuple(float(v) for v in rng.uniform(0, 0.8, 3)),
            -1,
            cv2.LINE_AA,
        )
    if rng.random() < 0.5:
        face = np.ascontiguousarray(face[::-1, ::-1])
    return face


def _draw_ticks(
    face: Single,
    at_mm: NDArray[np.float64],
    long_mm: NDArray[np.float64],
    wide_mm: float,
    far_edge: bool,
    inset_mm: float,
    ink: float,
) -> None:
    """Ticks with exact sub-texel coverage across their width."""
    s = FACE_PX_PER_MM
    h, w = face.shape[:2]
    for x, long in zip(at_mm * s, long_mm * s, strict=True):
        left, right = x - wide_mm * s / 2, x + wide_mm * s / 2
        cols = np.arange(max(int(left), 0), min(int(right) + 1, w - 1) + 1)
        cover = np.clip(np.minimum(cols + 1, right) - np.maximum(cols, left), 0, 1).astype(np.float32)
        a, b = int(inset_mm * s), int(inset_mm * s + long)
        rows = slice(h - b, h - a) if far_edge else slice(a, b)
        face[rows, cols] = face[rows, cols] * (1 - cover[None, :, None]) + ink * cover[None, :, None]


def _graduate(
    face: Single,
    rng: np.random.Generator,
    system: str,
    divisions: int,
    zero_mm: float,
    length_mm: float,
    far_edge: bool,
    ink: float,
    deep_mm: float,
) -> None:
    """One edge's graduations: ``divisions`` to the centimetre or inch, longer ticks at halves, figures at units."""
    unit = 10.0 if system == "mm" else 25.4
    n = round(length_mm / unit * divisions)
    i = np.arange(n + 1)
    if divisions in (10, 2, 20):
        half = divisions // 2
        level = np.where(i % divisions == 0, 1.0, np.where(i % max(half, 1) == 0, 0.68, 0.46))
    else:
        level = np.full(n + 1, 0.36)
        for every, size in ((divisions // 8, 0.46), (divisions // 4, 0.6), (divisions // 2, 0.78), (divisions, 1.0)):
            if every >= 1:
                level[i % every == 0] = size
    wide = min(0.28, 0.3 * unit / divisions)
    inset = 0.0 if rng.random() < 0.7 else float(rng.uniform(0.3, 2.5))
    _draw_ticks(face, zero_mm + i * unit / divisions, level * deep_mm, wide, far_edge, inset, ink)
    s = FACE_PX_PER_MM
    size = float(np.clip(deep_mm * 0.42, 1.4, 2.8))
    figures = np.zeros(face.shape[:2], np.uint8)  # OpenCV 5 writes on eight-bit pictures only
    for k in range(1, n // divisions + 1):
        text = str(k)
        scale = size * s / 22
        (tw, th), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, 2)
        x = (zero_mm + k * unit) * s - tw / 2
        y = face.shape[0] - (inset + deep_mm + 0.5) * s if far_edge else (inset + deep_mm + 0.5) * s + th
        cv2.putText(figures, text, (int(x), int(y)), cv2.FONT_HERSHEY_SIMPLEX, scale, 255, 2, cv2.LINE_AA)
    cover = (figures / np.float32(255))[..., None]
    face[:] = face * (1 - cover) + np.float32(ink) * cover


def ruler_face(
    rng: np.random.Generator,
    *,
    system: str,
    body_mm: float,
    width_mm: float,
    zero_mm: float,
    length_mm: float,
    steel: bool,
) -> Single:
    """A ruler from above, zero at the left; ``system`` rules the lower edge, the upper repeats it or not."""
    s = FACE_PX_PER_MM
    w, h = round(body_mm * s), round(width_mm * s)
    if steel:
        base = np.full(3, rng.uniform(0.25, 0.5)) * rng.uniform(0.96, 1.04, 3)
        streak = cv2.GaussianBlur(rng.standard_normal((h, w)).astype(np.float32), (0, 0), sigmaX=30, sigmaY=0.8)
        value = 1 + 0.06 * streak / streak.std()
    else:
        base = linear(((228, 194, 128), (206, 172, 96), (240, 226, 190), (190, 150, 90))[rng.integers(4)])
        grain = cv2.GaussianBlur(rng.standard_normal((h, w)).astype(np.float32), (0, 0), sigmaX=60, sigmaY=2)
        value = 1 + 0.05 * grain / grain.std()
    face = np.ascontiguousarray(base[None, None] * value[..., None], np.float32)
    if rng.random() < 0.25:
        face[: int(rng.uniform(1.5, 4) * s)] *= 0.6
    ink = 0.015 if steel else 0.03 + 0.05 * float(rng.random())
    deep = float(np.clip(width_mm * 0.26, 3.0, 7.5))
    fine = int(rng.choice([8, 16, 32])) if system == "inch" else 10
    _graduate(face, rng, system, fine, zero_mm, length_mm, True, ink, deep)
    other = rng.choice(["same", "differs", "coarse", "blank"], p=[0.5, 0.25, 0.15, 0.1])
    if other == "same":
        _graduate(face, rng, system, fine, zero_mm, length_mm, False, ink, deep)
    elif other == "differs":
        swapped = "mm" if system == "inch" else "inch"
        _graduate(
            face,
            rng,
            swapped,
            10 if swapped == "mm" else int(rng.choice([8, 16])),
            zero_mm,
            length_mm,
            False,
            ink,
            deep,
        )
    elif other == "coarse":
        _graduate(
            face,
            rng,
            system,
            2 if system == "mm" else int(rng.choice([8, 16, 32])),
            zero_mm,
            length_mm,
            False,
            ink,
            deep,
        )
    return face
