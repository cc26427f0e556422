"""A picture of discs with a blur that is known, for what looks at sharpness."""

from pathlib import Path

import cv2
import numpy as np

from holecount.photo import Photo


def discs(blur_px: float, *, shake_px: float = 0.0, noise: float = 3.0, size: tuple[int, int] = (1600, 1200)) -> Photo:
    """Discs of many greys, drawn at four times the size so that their own edges are sharp."""
    rng = np.random.default_rng(7)
    fine = np.full((size[1] * 4, size[0] * 4), 170, np.uint8)
    for _ in range(70):
        x, y = rng.uniform(0, [size[0] * 4, size[1] * 4]).astype(int)
        cv2.circle(fine, (int(x), int(y)), int(rng.uniform(160, 480)), int(rng.uniform(20, 230)), -1)
    grey = cv2.resize(fine, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    if blur_px:
        grey = cv2.GaussianBlur(grey, (0, 0), blur_px)
    if shake_px:
        grey = cv2.GaussianBlur(grey, (0, 0), sigmaX=shake_px, sigmaY=0.01)
    grey = np.clip(grey + rng.normal(0, noise, grey.shape), 0, 255).round().astype(np.uint8)
    return Photo(path=Path("discs.png"), sha256="", bgr=cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR))
