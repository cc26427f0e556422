"""Small pictures of one flat thing on a board above a floor, supersampled, with the corners of its upper face known.

Made for the card finder: a thing of any size, roundness and artwork, its light side wall and contact shadow,
or a box with sharp corners, under the project's own camera.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.exif import FULL_FRAME_DIAGONAL_MM
from holecount.photo import Photo
from holecount.scale.plane import Camera

FINE = 4
"""Subpixels a side."""


@dataclass(frozen=True, kw_only=True)
class CardScene:
    size_mm: tuple[float, float] = (85.60, 53.98)
    radius_mm: float = 3.18
    thickness_mm: float = 0.76
    turn_deg: float = 20.0
    at_mm: tuple[float, float] = (35.0, 25.0)
    tilt_deg: float = 15.0
    towards_deg: float = 60.0
    distance_mm: float = 300.0
    focal_35mm: float = 26.0
    tell_focal: bool = True
    k1: float = 0.0
    width_px: int = 1000
    height_px: int = 750
    face: tuple[float, float, float] = (0.10, 0.35, 0.12)  # linear blue, green, red
    fade_to: tuple[float, float, float] | None = None
    wall: tuple[float, float, float] = (0.7, 0.7, 0.7)
    board: tuple[float, float, float] = (0.10, 0.25, 0.45)
    floor: tuple[float, float, float] = (0.20, 0.20, 0.20)
    stripe: bool = False
    print_rows: int = 3
    blur_px: float = 0.8
    noise: float = 0.006
    exposure: float = 1.0
    seed: int = 1


@dataclass(frozen=True, kw_only=True)
class CardPicture:
    bgr: NDArray[np.uint8]
    corners_px: NDArray[np.float64]
    camera: Camera
    scene: CardScene

    def photo(self) -> Photo:
        told = self.scene.focal_35mm if self.scene.tell_focal else None
        return Photo(path=Path("drawn.png"), sha256="", bgr=self.bgr, focal_35mm=told)


def camera_of(scene: CardScene) -> Camera:
    half = float(np.hypot(scene.width_px, scene.height_px)) / 2
    tilt, towards = np.radians([scene.tilt_deg, scene.towards_deg])
    # Straight down first (camera y down is plane -y), then leaned towards a direction of the plane.
    lean, _ = cv2.Rodrigues(tilt * np.array([np.cos(towards), np.sin(towards), 0.0]))
    rotation = np.diag([1.0, -1.0, -1.0]) @ lean
    position = lean.T @ np.array([0.0, 0.0, scene.distance_mm])
    return Camera(
        focal_px=scene.focal_35mm * 2 * half / FULL_FRAME_DIAGONAL_MM,
        k1=scene.k1,
        centre_px=np.array([(scene.width_px - 1) / 2, (scene.height_px - 1) / 2]),
        half_diagonal_px=half,
        rotation=rotation,
        translation_mm=-rotation @ position,
    )


def _outline_mm(size: tuple[float, float], radius: float, grow: float = 0.0) -> NDArray[np.float64]:
    """Rounded rectangle about its middle, straight sides in short pieces so that distortion bends them."""
    w, h = size[0] / 2 + grow, size[1] / 2 + grow
    r = radius + grow if radius > 0 else 0.0
    t = np.linspace(0, np.pi / 2, 24) if r > 0 else np.zeros(1)
    arc = r * np.column_stack([np.cos(t), np.sin(t)])
    middles = [(w - r, h - r), (-w + r, h - r), (-w + r, -h + r), (w - r, -h + r)]
    turns = [np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) for a in np.pi / 2 * np.arange(4)]
    ends = np.vstack([arc @ turns[k].T + middles[k] for k in range(4)])
    out = []
    for a, b in zip(ends, np.roll(ends, -1, axis=0), strict=True):
        n = max(1, int(np.linalg.norm(b - a) / 2))
        out.append(a + (b - a) * np.arange(n)[:, None] / n)
    return np.vstack(out)


def _fill(target: NDArray, outline_px: NDArray[np.float64], colour: object, fine: int) -> None:
    """Fill an outline in a picture ``fine`` times as fine as its pixels."""
    at = np.round(((outline_px + 0.5) * fine - 0.5) * 16).astype(np.int32)
    cv2.fillPoly(target, [at.reshape(-1, 1, 2)], colour, cv2.LINE_8, 4)


def draw_card(scene: CardScene | None = None, **changes: object) -> CardPicture:
    s = replace(scene or CardScene(), **changes)  # type: ignore[arg-type]
    rng = np.random.default_rng(s.seed)
    camera = camera_of(s)
    turn = np.radians(s.turn_deg)
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])

    def px(local_mm: NDArray[np.float64], z: float) -> NDArray[np.float64]:
        xy = local_mm @ axes + np.array(s.at_mm)
        return camera.to_px(np.column_stack([xy, np.full(len(xy), z)]))

    # Everything coarse once; the neighbourhood of the thing fine, then averaged down over it.
    about = _outline_mm(s.size_mm, 0.0, 3.0)
    near = np.vstack([px(about, 0.0), px(about, s.thickness_mm)])
    x0, y0 = np.clip(np.floor(near.min(axis=0)).astype(int) - 4, 0, [s.width_px - 1, s.height_px - 1])
    x1, y1 = np.clip(np.ceil(near.max(axis=0)).astype(int) + 5, 1, [s.width_px, s.height_px])
    cloud = rng.normal(0, 1, (s.height_px // 12, s.width_px // 12)).astype(np.float32)
    grain = rng.normal(0, 1, (s.height_px // 3, 8)).astype(np.float32)
    low, high = s.at_mm[1] - 18.0, s.at_mm[1] + 24.0
    board = np.array([[-400.0, low], [400.0, low], [400.0, high], [-400.0, high]])
    board_px = camera.to_px(np.column_stack([board, np.zeros(4)]))

    def ground(part: tuple[int, int, int, int], fine: int) -> NDArray[np.float32]:
        left, top, right, low = part
        size = ((right - left) * fine, (low - top) * fine)
        tones = [cv2.resize(t, (s.width_px, s.height_px))[top:low, left:right] for t in (cloud, grain)]
        cloudy, grainy = (cv2.resize(t, size)[..., None] for t in tones)
        mask = np.zeros((size[1], size[0]), np.uint8)
        _fill(mask, board_px - [left, top], 1, fine)
        floor = np.array(s.floor, np.float32) * (1 + 0.12 * cloudy)
        return np.where(mask[..., None] > 0, np.array(s.board, np.float32) * (1 + 0.08 * grainy), floor)

    small = ground((0, 0, s.width_px, s.height_px), 1)
    picture = np.ascontiguousarray(ground((x0, y0, x1, y1), FINE), np.float32)
    corner = np.array([x0, y0])

    def fill(target: NDArray, local_mm: NDArray[np.float64], z: float, colour: object) -> None:
        _fill(target, px(local_mm, z) - corner, colour, FINE)

    h, w = picture.shape[:2]
    shade = np.zeros((h, w), np.float32)
    fill(shade, _outline_mm(s.size_mm, s.radius_mm, 0.25), 0.0, 1.0)
    picture *= (1 - 0.45 * cv2.GaussianBlur(shade, (0, 0), 1.2 * FINE))[..., None]
    outline = _outline_mm(s.size_mm, s.radius_mm)
    for z in np.linspace(0.0, s.thickness_mm, max(2, int(s.thickness_mm * 8))):
        fill(picture, outline, float(z), s.wall)
    mask = np.zeros((h, w), np.uint8)
    fill(mask, outline, s.thickness_mm, 1)
    face = np.empty_like(picture)
    face[:] = np.array(s.face, np.float32)
    if s.fade_to is not None:
        ends = (px(np.array([[-s.size_mm[0] / 2, 0.0], [s.size_mm[0] / 2, 0.0]]), s.thickness_mm) - corner) * FINE
        d = (ends[1] - ends[0]) / np.sum((ends[1] - ends[0]) ** 2)
        y, x = np.mgrid[0:h, 0:w].astype(np.float32)
        t = np.clip((x - ends[0, 0]) * d[0] + (y - ends[0, 1]) * d[1], 0, 1)[..., None]
        face = (face * (1 - t) + np.array(s.fade_to, np.float32) * t).astype(np.float32)
    if s.stripe:
        half = s.size_mm[0] / 2
        band = np.array([[-half, 12.0], [half, 12.0], [half, 22.0], [-half, 22.0]])
        fill(face, band, s.thickness_mm, (0.02, 0.02, 0.02))
    for row in range(s.print_rows):
        for k in range(8):
            x_mm, y_mm = -30.0 + 5 * k, -6.0 - 5 * row
            letter = [[x_mm, y_mm], [x_mm + 3.2, y_mm], [x_mm + 3.2, y_mm + 2.5], [x_mm, y_mm + 2.5]]
            fill(face, np.array(letter), s.thickness_mm, (0.6, 0.6, 0.6))
    picture[mask > 0] = face[mask > 0]
    small[y0:y1, x0:x1] = cv2.resize(picture, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small * s.exposure, (0, 0), s.blur_px)
    small += rng.normal(0, s.noise, small.shape).astype(np.float32) * np.sqrt(0.2 + np.maximum(small, 0))
    v = np.clip(small, 0, 1)
    coded = np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.maximum(v, 1e-9) ** (1 / 2.4) - 0.055)
    half_w, half_h = s.size_mm[0] / 2, s.size_mm[1] / 2
    corners = np.array([[-half_w, -half_h], [half_w, -half_h], [half_w, half_h], [-half_w, half_h]])
    return CardPicture(
        bgr=np.round(coded * 255).astype(np.uint8), corners_px=px(corners, s.thickness_mm), camera=camera, scene=s
    )


def corner_errors(found_px: NDArray[np.float64], true_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Found minus true (4, 2) whichever corner comes first."""
    ways = [np.roll(found_px[::way], k, axis=0) - true_px for way in (1, -1) for k in range(4)]
    return min(ways, key=lambda e: float(np.abs(e).max()))
