"""Make a photograph worse, as phones, haste and clutter do, and carry its exact truth along.

Light is handled as light: darkening, blur and shot noise act on linear values and are coded to eight bits again. Moves
of the picture (mirror, crop, turn, size) move the truth's pixels; millimetres stay as they are. EXIF's focal length
stays as it was written, as phones and editors leave it: after a crop or a turn it no longer fits the picture.
"""

import copy
import io
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scoring import SEEN

from holecount.photo import Photo, photo_from_bytes, read_photo

Picture = NDArray[np.uint8]
Truth = dict[str, Any]

PHOTONS = 4000.0
"""Electrons behind white of a phone's pixel at its lowest sensitivity (from memory: a few thousand)."""

_CODES = np.arange(256) / 255.0
_LINEAR = np.where(_CODES <= 0.04045, _CODES / 12.92, ((_CODES + 0.055) / 1.055) ** 2.4).astype(np.float32)
_FINE = np.arange(65536) / 65535.0
_CODED = np.round(255 * np.where(_FINE <= 0.0031308, 12.92 * _FINE, 1.055 * _FINE ** (1 / 2.4) - 0.055))
_CODED = _CODED.astype(np.uint8)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """A photograph with its truth, on its way to getting worse.

    Attributes
    ----------
    name : str
    bgr : uint8 array, shape (height, width, 3)
    truth : dict
        As beside the shared photographs, in pixels of ``bgr``.
    focal_35mm : float or None
        What EXIF says.
    quality : int
        JPEG quality it is saved with in the end.
    other : Shot or None
        Another seat's photograph, for what comes into view.
    """

    name: str
    bgr: Picture = field(repr=False)
    truth: Truth = field(repr=False)
    focal_35mm: float | None
    quality: int = 92
    other: "Shot | None" = None

    @property
    def random(self) -> np.random.Generator:
        """Its own random numbers, the same every time."""
        return np.random.default_rng(list(self.name.encode()))

    def photo(self) -> Photo:
        """Saved as JPEG and read again by the tool's own reader."""
        tags = Image.Exif()
        if self.focal_35mm is not None:
            tags.get_ifd(0x8769)[0xA405] = round(self.focal_35mm)
        data = io.BytesIO()
        Image.fromarray(np.ascontiguousarray(self.bgr[..., ::-1])).save(
            data, "JPEG", quality=self.quality, subsampling=2, exif=tags
        )
        return photo_from_bytes(data.getvalue(), Path(f"{self.name}.jpg"))


def shot_of(path: Path, truth: Truth, other: "Shot | None" = None) -> Shot:
    """A photograph from its file, upright."""
    photo = read_photo(path)
    return Shot(name=path.stem, bgr=photo.bgr, truth=truth, focal_35mm=photo.focal_35mm, other=other)


# Light.


def _light(bgr: Picture) -> NDArray[np.float32]:
    return np.asarray(cv2.LUT(bgr, _LINEAR), np.float32)


def _coded(light: NDArray[np.float32]) -> Picture:
    return np.asarray(_CODED[np.clip(light * 65535 + 0.5, 0, 65535).astype(np.uint16)])


def _shot_noise(light: NDArray[np.float32], photons: float, r: np.random.Generator) -> NDArray[np.float32]:
    """Noise of the photons and of reading them (a few electrons), in the colours alike."""
    grain = r.standard_normal(light.shape, dtype=np.float32)
    return np.asarray(light + np.sqrt(np.maximum(light, 0) / photons + (3.0 / photons) ** 2) * grain, np.float32)


def darker(shot: Shot, stops: float) -> Shot:
    """Less light by so many stops: fewer photons, fewer grey levels."""
    light = _light(shot.bgr) * np.float32(2.0**-stops)
    return replace(shot, bgr=_coded(_shot_noise(light, PHOTONS, shot.random)))


def noisier(shot: Shot, photons: float) -> Shot:
    """A sensor turned up: so few photons behind white."""
    return replace(shot, bgr=_coded(_shot_noise(_light(shot.bgr), photons, shot.random)))


def blurred(shot: Shot, sigma_px: float) -> Shot:
    """Out of focus."""
    return replace(shot, bgr=_coded(cv2.GaussianBlur(_light(shot.bgr), (0, 0), sigma_px)))


def squeezed(shot: Shot, quality: float) -> Shot:
    """Saved at a low JPEG quality, as messengers do."""
    return replace(shot, quality=int(quality))


# Moves.


def _moved(shot: Shot, bgr: Picture, move: NDArray[np.float64]) -> Shot:
    """With the picture ``bgr`` that ``move`` (2, 3), old pixels to new ones, made of it."""
    truth = copy.deepcopy(shot.truth)
    h, w = bgr.shape[:2]
    size = float(np.sqrt(abs(np.linalg.det(move[:, :2]))))
    turn = np.arange(72) * 2 * np.pi / 72
    for hole in truth["holes"]:
        hole["px"], hole["py"] = (move[:, :2] @ [hole["px"], hole["py"]] + move[:, 2]).tolist()
        hole["r_px"] *= size
        x, y = hole["px"] + hole["r_px"] * np.cos(turn), hole["py"] + hole["r_px"] * np.sin(turn)
        inside = float(((x > 0) & (x < w - 1) & (y > 0) & (y < h - 1)).mean())
        hole["visible"] = min(hole["visible"], inside) if inside < 1 else hole["visible"]
    for scale in truth["scales"]:
        scale["corners_px"] = (np.array(scale["corners_px"]) @ move[:, :2].T + move[:, 2]).tolist()
    truth["width"], truth["height"] = w, h
    truth["count_visible"] = sum(hole["visible"] >= SEEN for hole in truth["holes"])
    return replace(shot, bgr=bgr, truth=truth)


def resized(shot: Shot, factor: float) -> Shot:
    """Sent small."""
    h, w = shot.bgr.shape[:2]
    new = (round(w * factor), round(h * factor))
    fx, fy = new[0] / w, new[1] / h
    made = cv2.resize(shot.bgr, new, interpolation=cv2.INTER_AREA)
    return _moved(shot, np.asarray(made), np.array([[fx, 0, (fx - 1) / 2], [0, fy, (fy - 1) / 2]]))


def mirrored(shot: Shot, _: float = 0) -> Shot:
    """As a phone's front camera shows it."""
    w = shot.bgr.shape[1]
    return _moved(shot, np.ascontiguousarray(shot.bgr[:, ::-1]), np.array([[-1.0, 0, w - 1], [0, 1, 0]]))


def cropped(shot: Shot, share: float) -> Shot:
    """One side cut off so that this share of the seat's depth or width is gone; a rail goes with the first tenth.

    The side is one away from the scale, so that there still is one.
    """
    h, w = shot.bgr.shape[:2]
    at = np.array([[o["px"], o["py"]] for o in shot.truth["holes"]])
    low, high = at.min(axis=0), at.max(axis=0)
    scale = np.vstack([s["corners_px"] for s in shot.truth["scales"]] or [(low + high)[None] / 2])
    room = {"left": scale[:, 0].min() - low[0], "right": high[0] - scale[:, 0].max()}
    room |= {"top": scale[:, 1].min() - low[1], "bottom": high[1] - scale[:, 1].max()}
    side = max(room, key=lambda k: float(room[k]))
    x0, y0, x1, y1 = 0, 0, w, h
    across = (high - low) * share
    if side == "left":
        x0 = max(int(low[0] + across[0]), 0)
    elif side == "right":
        x1 = min(int(high[0] - across[0]), w)
    elif side == "top":
        y0 = max(int(low[1] + across[1]), 0)
    else:
        y1 = min(int(high[1] - across[1]), h)
    made = np.ascontiguousarray(shot.bgr[y0:y1, x0:x1])
    return _moved(shot, made, np.array([[1.0, 0, -x0], [0, 1.0, -y0]]))


def turned(shot: Shot, angle_deg: float) -> Shot:
    """Turned by any angle, the corners filled with the picture's middle grey."""
    h, w = shot.bgr.shape[:2]
    a = np.radians(angle_deg)
    c, s = float(np.cos(a)), float(np.sin(a))
    new_w, new_h = int(abs(w * c) + abs(h * s)) + 1, int(abs(w * s) + abs(h * c)) + 1
    turn = np.array([[c, -s], [s, c]])
    shift = np.array([(new_w - 1) / 2, (new_h - 1) / 2]) - turn @ [(w - 1) / 2, (h - 1) / 2]
    move = np.column_stack([turn, shift])
    grey = tuple(float(v) for v in np.median(shot.bgr.reshape(-1, 3)[::101], axis=0))
    made = cv2.warpAffine(
        shot.bgr, move, (new_w, new_h), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=grey
    )
    return _moved(shot, np.asarray(made, np.uint8), move)


# Clutter.


def _opening(shot: Shot, inset_mm: float = 32.0) -> NDArray[np.float32]:
    """Where one looks through the frame, 0 to 1: well inside the hole line, off what lies on the frame."""
    h, w = shot.bgr.shape[:2]
    holes = shot.truth["holes"]
    mask = np.zeros((h, w), np.uint8)
    cv2.fillPoly(mask, [np.round([[o["px"], o["py"]] for o in holes]).astype(np.int32)], 255)
    per_mm = float(np.median([o["r_px"] / (o["bore_mm"] / 2) for o in holes]))
    away = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
    mask = np.where(away > inset_mm * per_mm, 255, 0).astype(np.uint8)
    for scale in shot.truth["scales"]:
        flat = np.array(scale["corners_px"])
        middle = flat.mean(axis=0)
        cv2.fillConvexPoly(mask, np.round(middle + (flat - middle) * 1.08).astype(np.int32), 0)
    return np.asarray(cv2.GaussianBlur(mask, (0, 0), 1.0), np.float32) / 255


def _within(shot: Shot, seen: Picture) -> Shot:
    """With ``seen`` (same shape) where one looks through the frame."""
    share = _opening(shot)[..., None]
    return replace(shot, bgr=np.round(shot.bgr * (1 - share) + seen * share).astype(np.uint8))


def rug(shot: Shot, step_mm: float) -> Shot:
    """A rug with rows of dark dots on the floor: dots as large as the holes, this far apart as seen in the frame."""
    h, w = shot.bgr.shape[:2]
    r = shot.random
    holes = shot.truth["holes"]
    radius = float(np.median([o["r_px"] for o in holes]))
    per_mm = float(np.median([o["r_px"] / (o["bore_mm"] / 2) for o in holes]))
    a = r.uniform(0, np.pi)
    y, x = np.mgrid[:h, :w].astype(np.float32)
    u = (x * np.float32(np.cos(a)) + y * np.float32(np.sin(a))) / np.float32(step_mm * per_mm)
    v = (-x * np.float32(np.sin(a)) + y * np.float32(np.cos(a))) / np.float32(step_mm * per_mm)
    u, v = u - np.round(u), v - np.round(v)
    off = np.hypot(u, v) * np.float32(step_mm * per_mm)
    dot = np.clip(radius - off + 0.5, 0, 1)[..., None]
    ground, ink = r.uniform(90, 200, 3), r.uniform(10, 50, 3)
    cloth = ground * (1 - dot) + ink * dot + r.normal(0, 5, (h, w, 1))
    return _within(shot, np.clip(cloth, 0, 255).astype(np.uint8))


def seat_below(shot: Shot, size: float) -> Shot:
    """Another stripped seat on the floor, seen through the frame; so much smaller than as photographed itself."""
    assert shot.other is not None
    h, w = shot.bgr.shape[:2]
    small = cv2.resize(
        shot.other.bgr, None, fx=size * w / shot.other.bgr.shape[1], fy=size * w / shot.other.bgr.shape[1]
    )
    reach = (h, h, w, w)
    wide = cv2.copyMakeBorder(small, *reach, cv2.BORDER_REPLICATE)
    at = np.array([[o["px"], o["py"]] for o in shot.truth["holes"]]).mean(axis=0)
    x0 = int(w + small.shape[1] / 2 - at[0])
    y0 = int(h + small.shape[0] / 2 - at[1])
    return _within(shot, np.asarray(wide[y0 : y0 + h, x0 : x0 + w]))


def seat_beside(shot: Shot, share: float) -> Shot:
    """Another stripped seat on the floor beside the frame, this share of its width pushed into the picture."""
    assert shot.other is not None
    h, w = shot.bgr.shape[:2]
    line = np.array([[o["px"], o["py"]] for o in shot.truth["holes"]])
    left, right = float(line[:, 0].min()), float(w - 1 - line[:, 0].max())
    per_mm = float(np.median([o["r_px"] / (o["bore_mm"] / 2) for o in shot.truth["holes"]]))
    other, at = shot.other.bgr, np.array([[o["px"], o["py"]] for o in shot.other.truth["holes"]])
    # As large as this seat, and so far in that the other row of holes reaches over the free strip.
    size = float(np.ptp(line[:, 1]) / np.ptp(at[:, 1]))
    other = cv2.resize(other, None, fx=size, fy=size, interpolation=cv2.INTER_AREA)
    at = at * size
    edge = w - 1 - share * right if right > left else share * left
    shift = np.array([edge - (at[:, 0].min() if right > left else at[:, 0].max()), h / 2 - at[:, 1].mean()])
    seen = cv2.warpAffine(other, np.array([[1, 0, shift[0]], [0, 1, shift[1]]]), (w, h), borderMode=cv2.BORDER_REFLECT)
    mask = np.zeros((h, w), np.uint8)
    cv2.fillPoly(mask, [np.round(line).astype(np.int32)], 255)
    free = cv2.distanceTransform(255 - mask, cv2.DIST_L2, 5) > 48 * per_mm
    beyond = np.arange(w) > line[:, 0].max() if right > left else np.arange(w) < line[:, 0].min()
    free &= beyond[None]
    for scale in shot.truth["scales"]:
        flat = np.array(scale["corners_px"])
        near = np.zeros((h, w), np.uint8)
        cv2.fillConvexPoly(near, np.round(flat.mean(axis=0) + (flat - flat.mean(axis=0)) * 1.08).astype(np.int32), 1)
        free &= near == 0
    share_seen = cv2.GaussianBlur(free.astype(np.float32), (0, 0), 1.0)[..., None]
    return replace(shot, bgr=np.round(shot.bgr * (1 - share_seen) + seen * share_seen).astype(np.uint8))


def unchanged(shot: Shot, _: float = 0) -> Shot:
    """As it was, but saved anew."""
    return shot


WAYS: dict[str, tuple[Callable[[Shot, float], Shot], str, tuple[float, ...]]] = {
    "as it was": (unchanged, "", (0,)),
    "darker": (darker, "stops", (2, 3, 4, 5, 6)),
    "blurred": (blurred, "px", (1, 1.5, 2, 3, 4)),
    "noisier": (noisier, "photons behind white", (300, 100, 30)),
    "JPEG": (squeezed, "quality", (50, 30, 15)),
    "smaller": (resized, "of its size", (0.7, 0.5, 0.35)),
    "mirrored": (mirrored, "", (0,)),
    "cropped": (cropped, "of the seat gone", (0.03, 0.15, 0.4)),
    "turned": (turned, "degrees", (7, 33, 45, 138)),
    "rug of dots": (rug, "mm apart", (15, 40)),
    "seat below": (seat_below, "of its size", (0.6,)),
    "seat beside": (seat_beside, "of the room beside", (0.6,)),
}
"""Ways to make a photograph worse: how, what its measure means, and the measures tried, least first."""
