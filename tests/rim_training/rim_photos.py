"""Crops of photographs with known holes, for the last part of the training: ``rim_photos.py FOLDER OUT.npz``.

FOLDER holds NAME.jpg and NAME.json as in the shared photographs' README. A crop is kept as coded; with it goes the
local map from the hole's own frame (x along the line of sight's horizontal run) to pixels.
"""

import json
import sys
from pathlib import Path

import cv2
import numpy as np
from true_camera import camera_of

from holecount.edges import local_map

COLS = [
    "photo",
    "radius",
    "chamfer",
    "kind",
    "visible",
    "slope",
    "j00",
    "j01",
    "j10",
    "j11",
    "off_x",
    "off_y",
    "r_px",
    "px_per_mm",
    "bore0",
    "reach",
    "block",
    "cut_at",
    "cut_axis",
]
BLOCK_ABOVE_PX = 20


def things(truth: dict, rng: np.random.Generator) -> list[tuple[float, float, float, float, int, float]]:
    """Holes at least a quarter in sight, marks, and some places where nothing is: x, y, radius, chamfer, kind, seen."""
    usual = float(np.median([h["bore_mm"] for h in truth["holes"]]))
    out = [
        (h["x_mm"], h["y_mm"], h["bore_mm"] / 2, h["chamfer_mm"], int(h["blocked"]), h["visible"])
        for h in truth["holes"]
        if h["visible"] > 0.25
    ]
    out += [(m["x"], m["y"], usual / 2, 0.3, 2, 1.0) for m in truth["marks"] if m["d"] < 1.6 * usual]
    at = np.array([[h["x_mm"], h["y_mm"]] for h in truth["holes"]])
    for h in at[rng.permutation(len(at))[:12]]:
        turn = rng.uniform(0, 2 * np.pi)
        q = h + (1.6 * usual + rng.uniform(0, 8)) * np.array([np.cos(turn), np.sin(turn)])
        if np.hypot(*(at - q).T).min() > 1.5 * usual:
            out.append((float(q[0]), float(q[1]), usual / 2, 0.3, 2, 1.0))
    return out


def main(folder: Path, target: Path) -> None:
    names = sorted(p.stem for p in folder.glob("*.json"))
    rows, crops, rng = [], [], np.random.default_rng(0)
    for number, name in enumerate(names):
        truth = json.loads((folder / f"{name}.json").read_text())
        picture, camera = cv2.imread(str(folder / f"{name}.jpg")), camera_of(truth)
        high, wide = picture.shape[:2]
        items = things(truth, rng)
        usual = float(np.median([h["bore_mm"] for h in truth["holes"]]))
        at = np.array([t[:2] for t in items])
        run = camera.slope(at)
        places = local_map(camera, at, np.arctan2(run[:, 1], run[:, 0]), 0.5)
        for i, (_, _, radius, chamfer, kind, seen) in enumerate(items):
            r_px, px = places.px_per_mm[i] * radius, places.origin_px[i]
            block = int(np.ceil(r_px / BLOCK_ABOVE_PX))
            reach = int(min(np.ceil(2.75 * 1.12 * r_px / block + 5), 63))
            corner = np.round(px).astype(int) - reach * block - (block // 2 if block > 1 else 0)
            side = (2 * reach + 1) * block
            cols = np.clip(np.arange(corner[0], corner[0] + side), 0, wide - 1)
            lines = np.clip(np.arange(corner[1], corner[1] + side), 0, high - 1)
            crops.append(picture[np.ix_(lines, cols)])
            middle = corner + reach * block + (block - 1) / 2
            ends = [(wide - 1 - middle[0], 0), (middle[0], 1), (high - 1 - middle[1], 2), (middle[1], 3)]
            nearest, axis = min(ends)
            cut = (nearest / block, axis) if nearest / block < reach else (1e4, 0)
            first = (places.first[i] / block).ravel()
            of_map = (*first, *(-(px - middle) / block), r_px / block, places.px_per_mm[i] / block)
            of_hole = (number, radius, chamfer, kind, seen, np.hypot(*run[i]))
            rows.append((*of_hole, *of_map, usual, reach, block, *cut))
    np.savez_compressed(
        target,
        rows=np.array(rows, np.float32),
        cols=COLS,
        names=names,
        bytes=np.concatenate([c.ravel() for c in crops]),
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
