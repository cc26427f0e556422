"""Drawn photographs of stripped seats with exact truth: an own light-weight ray caster.

``draw_seat(seed, **overrides)`` gives a picture and its truth; any entry of
``drawn_plan.Plan`` may be overridden. Nothing of ``holecount`` is used here, so that
the truth cannot share its mistakes. Rays go through a pinhole lens with one radial
term; the rim of each bore is a quarter round running into a leaning cylinder.
"""

import json
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from drawn_caster import Caster, covered, ring_mm
from drawn_geometry import Single
from drawn_plan import Plan, plan_of
from drawn_scene import IN_SIGHT, Scene, build
from numpy.typing import NDArray
from PIL import Image

RIM_POINTS = 72


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnSeat:
    """A drawn photograph.

    Attributes
    ----------
    bgr : uint8 array, shape (height, width, 3)
        Upright, before JPEG.
    truth : dict
        In the form of the shared photographs' JSON.
    plan : Plan
    """

    bgr: NDArray[np.uint8]
    truth: dict[str, object]
    plan: Plan

    def write(self, folder: Path | str, name: str) -> Path:
        """Write NAME.jpg (with its EXIF orientation and focal length) and NAME.json; returns the picture's path."""
        folder = Path(folder)
        folder.mkdir(parents=True, exist_ok=True)
        stored = np.rot90(self.bgr, {1: 0, 3: 2, 6: 1, 8: -1}[self.plan.exif_orientation])
        exif = Image.Exif()
        if self.plan.exif_orientation != 1:
            exif[0x0112] = self.plan.exif_orientation
        if self.plan.exif_focal:
            exif.get_ifd(0x8769)[0xA405] = int(self.plan.focal_35mm)
        picture = Image.fromarray(np.ascontiguousarray(stored[..., ::-1]))
        picture.save(folder / f"{name}.jpg", quality=self.plan.jpeg_quality, subsampling=2, exif=exif)
        (folder / f"{name}.json").write_text(json.dumps({"id": name, **self.truth}))
        return folder / f"{name}.jpg"


def draw_seat(seed: int, **overrides: object) -> DrawnSeat:
    """Draw the seat of a seed; ``overrides`` replace entries of its plan."""
    plan = plan_of(seed, **overrides)
    scene = build(plan, seed)
    caster = Caster(scene, seed)
    return DrawnSeat(bgr=develop(caster.cast(), plan, seed), truth=truth_of(scene), plan=plan)


def develop(radiance: Single, plan: Plan, seed: int) -> NDArray[np.uint8]:
    """Blur, noise, and sRGB coding: what the sensor and the phone make of the light."""
    r = np.random.default_rng([seed, 4])
    picture = np.minimum(radiance, 4.0)
    if plan.blur_px > 0:
        picture = cv2.GaussianBlur(picture, (0, 0), plan.blur_px)
    if plan.noise > 0:
        grain = r.standard_normal(picture.shape, dtype=np.float32)
        picture = picture + np.float32(plan.noise) * (np.float32(0.25) + np.sqrt(np.maximum(picture, 0))) * grain
    codes = np.arange(4097) / 4096
    table = np.round(255 * np.where(codes <= 0.0031308, codes * 12.92, 1.055 * codes ** (1 / 2.4) - 0.055)).astype(
        np.uint8
    )
    coded = np.asarray(table[np.clip(picture * 4096 + 0.5, 0, 4096).astype(np.uint16)])
    if plan.sharpen > 0:  # what a phone does to its pictures
        coded = cv2.addWeighted(coded, 1 + plan.sharpen, cv2.GaussianBlur(coded, (0, 0), 1.2), -plan.sharpen, 0)
    return coded


def truth_of(scene: Scene) -> dict[str, object]:
    """The truth in the form of the shared photographs."""
    plan, lens, holes = scene.plan, scene.lens, scene.holes
    out: list[dict[str, object]] = []
    n_visible = 0
    for i in range(len(holes.x_mm)):
        rim_mm = ring_mm(holes, i, 0.0, 360)
        rim = lens.project(rim_mm)
        centre = lens.project(np.array([[holes.x_mm[i], holes.y_mm[i], 0.0]]))[0]
        area = 0.5 * abs(float(np.sum(rim[:, 0] * np.roll(rim[:, 1], -1) - np.roll(rim[:, 0], -1) * rim[:, 1])))
        some = slice(None, None, 360 // RIM_POINTS)
        x, y = (v.astype(np.float32) for v in rim_mm[some, :2].T)
        mx, my = ((v - lens.origin_mm[k]) / lens.origin_mm[2] for k, v in ((0, x), (1, y)))
        hidden = covered(scene, x, y, np.asarray(mx, np.float32), np.asarray(my, np.float32))
        hidden |= ((rim[some] < -0.5) | (rim[some] > [lens.width_px - 0.5, lens.height_px - 0.5])).any(axis=1)
        visible = 1 - float(hidden.mean())
        n_visible += visible >= IN_SIGHT
        out.append(
            {
                "rail": scene.rail[i],
                "corner": scene.corner[i],
                "x_mm": float(holes.x_mm[i]),
                "y_mm": float(holes.y_mm[i]),
                "bore_mm": float(holes.bore_mm[i]),
                "chamfer_mm": float(holes.chamfer_mm[i]),
                "blocked": bool(holes.blocked[i]),
                "px": float(centre[0]),
                "py": float(centre[1]),
                "r_px": float(np.sqrt(area / np.pi)),
                "visible": visible,
            }
        )
    scales = []
    for over in scene.overlays:
        corners = over.corners_mm()
        scales.append({**over.truth, "corners_mm": corners.tolist(), "corners_px": lens.project(corners).tolist()})
    axis = -lens.origin_mm[2] / lens.axes[2, 2]
    return {
        "seat": plan.seat,
        "wood": plan.wood,
        "scale_kind": plan.scale_kind,
        "nominal_pitch_mm": plan.pitch_mm,
        "nominal_bore_mm": plan.bore_mm,
        "thickness_mm": plan.thickness_mm,
        "chamfer_mm": plan.chamfer_mm,
        "marks": scene.marks,
        "cracks": [list(c) for c in scene.cracks],
        "scales": scales,
        "width": lens.width_px,
        "height": lens.height_px,
        "f_px": lens.f_px,
        "k1": lens.k1,
        "tilt_deg": plan.tilt_deg,
        "distance_mm": float(axis),
        "exif_focal35": plan.focal_35mm if plan.exif_focal else None,
        "camera": {"origin": lens.origin_mm.tolist(), "R": lens.axes.tolist()},
        "holes": out,
        "count": len(out),
        "count_visible": int(n_visible),
        "mm_per_px": float(axis / lens.f_px),
        "blur_px": plan.blur_px,
        "noise": plan.noise,
    }
