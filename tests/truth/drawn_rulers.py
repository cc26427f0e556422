"""Rulers drawn with known truth: any graduation, seen from any side, blurred and noisy.

A face is drawn at 20 px/mm, seen through an exact pinhole three times finer than the picture,
and averaged down. Nothing here is shared with the code under test but the two sizes of a unit.
"""

from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from holecount.photo import Photo

FINE = 20
"""Pixels per mm of a drawn face."""

MM_LENGTHS = {10: 7.5, 5: 5.5, 1: 3.5, 0: 2.5}
"""Length in mm of the strokes at every 10, 5, 1 and half mm (common practice, no source)."""
INCH_LENGTHS = (9.5, 7.2, 5.6, 4.2, 3.2, 2.4)
"""Length in mm of the strokes at every whole, half, quarter ... thirty-second of an inch (likewise)."""


@dataclass(frozen=True, kw_only=True)
class Face:
    """A ruler's face: width and length in mm, and graduated edges as (side, system, divisions).

    Strokes of narrow pocket rules are ``shorter`` than usual.
    """

    width_mm: float = 25.0
    length_mm: float = 150.0
    edges: tuple[tuple[str, str, int], ...] = (("top", "mm", 10),)
    zero_mm: float = 5.0
    grey: int = 200
    ink: int = 40
    stroke_mm: float = 0.25
    shorter: float = 1.0
    figures: bool = True

    def strokes(self):
        """Every stroke as (side, place from the left in mm, length in mm, figure or None)."""
        for side, system, divisions in self.edges:
            long_mm = 10.0 if system == "mm" else 25.4
            for k in range(int(self.length_mm / long_mm * divisions + 1e-6) + 1):
                rest = k % divisions
                if system == "mm":
                    tenth = rest * 10 / divisions
                    rank = 10 if rest == 0 else 5 if tenth == 5 else 1 if tenth == int(tenth) else 0
                    length = MM_LENGTHS[rank]
                else:
                    level = 0
                    while (rest << level) % divisions:
                        level += 1
                    length = INCH_LENGTHS[level]
                figure = k // divisions if rest == 0 and k else None
                yield side, self.zero_mm + k * long_mm / divisions, self.shorter * length, figure

    def picture(self):
        """The face, uint8, FINE px/mm, y down from the top edge."""
        rows, cols = round(self.width_mm * FINE), round((self.length_mm + self.zero_mm + 8) * FINE)
        face = np.full((rows, cols), self.grey, np.uint8)
        half = self.stroke_mm * FINE / 2
        for side, place, length, figure in self.strokes():
            x = place * FINE
            y0, y1 = (0, round(length * FINE)) if side == "top" else (rows - round(length * FINE), rows)
            face[y0:y1, round(x - half) : max(round(x + half), round(x - half) + 1)] = self.ink
            if figure is not None and self.figures:
                text, size = str(figure), FINE * 0.085
                (w, h), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, size, 4)
                y = round(10.5 * FINE + h) if side == "top" else round(rows - 10.5 * FINE)
                cv2.putText(face, text, (round(x - w / 2), y), cv2.FONT_HERSHEY_SIMPLEX, size, self.ink, 4, cv2.LINE_AA)
        return face


@dataclass(frozen=True, kw_only=True)
class View:
    """How a face is seen: picture size, scale in its middle, turn, tilt and which way, blur, noise, ground."""

    size: tuple[int, int] = (1200, 900)
    px_per_mm: float = 5.0
    turn_deg: float = 12.0
    tilt_deg: float = 0.0
    tilt_way_deg: float = 0.0
    centre: tuple[float, float] | None = None
    blur_px: float = 0.7
    noise: float = 1.5
    seed: int = 0
    ground: np.ndarray | None = field(default=None, repr=False)

    def homography(self, face: Face):
        """From face mm (x along, y down from the top edge) to picture px."""
        w, h = self.size
        focal = 1.1 * w
        a, t, g = np.radians([self.tilt_way_deg, self.tilt_deg, self.turn_deg])

        def about_z(q):
            return np.array([[np.cos(q), -np.sin(q), 0], [np.sin(q), np.cos(q), 0], [0, 0, 1.0]])

        lean = np.array([[1, 0, 0], [0, np.cos(t), -np.sin(t)], [0, np.sin(t), np.cos(t)]])
        rotation = about_z(a) @ lean @ about_z(-a) @ about_z(g)
        middle = np.array([(w - 1) / 2, (h - 1) / 2])
        aside = (np.array(self.centre) - middle if self.centre else np.zeros(2)) / self.px_per_mm
        shift = np.array([*aside, focal / self.px_per_mm])
        camera = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1]])
        plane = np.column_stack([rotation[:, 0], rotation[:, 1], shift])
        centred = np.array([[1, 0, -(face.length_mm + face.zero_mm + 8) / 2], [0, 1, -face.width_mm / 2], [0, 0, 1]])
        return camera @ plane @ centred


def see(face: Face, view: View, drawn: np.ndarray | None = None) -> np.ndarray:
    """The grey picture of a face (or of ``drawn``, a face changed after drawing)."""
    drawn = face.picture() if drawn is None else drawn
    w, h = view.size
    finer = 3
    to_fine = np.array([[finer, 0, (finer - 1) / 2], [0, finer, (finer - 1) / 2], [0, 0, 1]])
    from_drawn = np.array([[1 / FINE, 0, 0.5 / FINE], [0, 1 / FINE, 0.5 / FINE], [0, 0, 1]])
    matrix = to_fine @ view.homography(face) @ from_drawn
    smooth = cv2.GaussianBlur(drawn, (0, 0), max(0.3, 0.35 * FINE / view.px_per_mm / finer))
    size = (w * finer, h * finer)
    seen = cv2.resize(cv2.warpPerspective(smooth, matrix, size), (w, h), interpolation=cv2.INTER_AREA)
    mask = cv2.resize(
        cv2.warpPerspective(np.full(drawn.shape, 255, np.uint8), matrix, size), (w, h), interpolation=cv2.INTER_AREA
    )
    rng = np.random.default_rng(view.seed)
    ground = np.full((h, w), 110.0) if view.ground is None else view.ground.astype(float)
    picture = seen + (1 - mask / 255.0) * ground
    if view.blur_px:
        picture = cv2.GaussianBlur(picture, (0, 0), view.blur_px)
    return np.clip(picture + rng.normal(0, view.noise, picture.shape), 0, 255).astype(np.uint8)


def photo_of(grey: np.ndarray) -> Photo:
    """A grey picture as a photograph."""
    return Photo(path=Path("drawn.png"), sha256="", bgr=cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR))


def on_face(face: Face, view: View, px: np.ndarray) -> np.ndarray:
    """Picture points back to face mm, shape (n, 2)."""
    q = np.column_stack([px, np.ones(len(px))]) @ np.linalg.inv(view.homography(face)).T
    return q[:, :2] / q[:, 2:]


def weave(size: tuple[int, int], step_px: float, turn_deg: float, seed: int = 0) -> np.ndarray:
    """A plain weave: threads over and under by turns."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0 : size[1], 0 : size[0]].astype(np.float32)
    a = np.radians(turn_deg)
    u, v = (x * np.cos(a) + y * np.sin(a)) / step_px, (-x * np.sin(a) + y * np.cos(a)) / step_px
    over = (np.floor(u) + np.floor(v)) % 2 > 0
    cloth = 100 + 40 * np.where(over, np.sin(np.pi * (u % 1)), np.sin(np.pi * (v % 1)))
    return cloth + cv2.GaussianBlur(rng.normal(0, 1, cloth.shape), (0, 0), 3) * 40
