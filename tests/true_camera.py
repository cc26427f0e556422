"""The camera of a picture whose truth is known, from its JSON."""

import numpy as np

from holecount.scale.plane import Camera


def camera_of(truth: dict) -> Camera:
    """Exact: projects the truth's holes onto their pixels."""
    axes, origin = np.array(truth["camera"]["R"]), np.array(truth["camera"]["origin"])
    w, h = truth["width"], truth["height"]
    return Camera(
        focal_px=truth["f_px"],
        k1=truth["k1"],
        centre_px=np.array([(w - 1) / 2, (h - 1) / 2]),
        half_diagonal_px=float(np.hypot(w, h) / 2),
        rotation=axes,
        translation_mm=-axes @ origin,
    )
