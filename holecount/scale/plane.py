"""The plane of the seat and the camera above it: pixels to millimetres and back.

Millimetres: x and y in the plane of the holes' rims, z up towards the camera. The
camera is a pinhole with its axis through the picture's middle and one radial
term, x_d = x_u (1 + k1 r_u^2) with r_u in units of the half diagonal, so k1 is
the relative shift at the picture's corner.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holecount.exif import FULL_FRAME_DIAGONAL_MM, USUAL_FOCAL_35MM

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """A phone above the plane.

    Attributes
    ----------
    focal_px, k1 : float
    centre_px : float array, shape (2,)
        Where the optical axis meets the picture.
    half_diagonal_px : float
    rotation : float array, shape (3, 3)
        From plane axes to camera axes (camera: x right, y down, z forward).
    translation_mm : float array, shape (3,)
        Plane origin in camera axes.
    """

    focal_px: float
    k1: float
    centre_px: Array
    half_diagonal_px: float
    rotation: Array
    translation_mm: Array

    def to_px(self, xyz_mm: Array) -> Array:
        """Project points, shape (n, 2) (z = 0) or (n, 3) in mm, to pixels, shape (n, 2)."""
        xyz = np.asarray(xyz_mm, float)
        cam = xyz @ self.rotation[:, : xyz.shape[1]].T + self.translation_mm
        u = cam[:, :2] / cam[:, 2:] * self.focal_px
        r2 = (u**2).sum(axis=1, keepdims=True) / self.half_diagonal_px**2
        return np.asarray(u * (1.0 + self.k1 * r2) + self.centre_px)

    def undistort(self, px: Array) -> Array:
        """Pixels (n, 2) to ideal pinhole pixels measured from the optical axis, shape (n, 2)."""
        d = np.asarray(px, float) - self.centre_px
        u = d.copy()
        for _ in range(6):
            r2 = (u**2).sum(axis=1, keepdims=True) / self.half_diagonal_px**2
            u = d / (1.0 + self.k1 * r2)
        return np.asarray(u)

    def to_mm(self, px: Array, height_mm: float = 0.0) -> Array:
        """Pixels (n, 2) to plane millimetres (n, 2) of the points ``height_mm`` above the plane."""
        u = self.undistort(px) / self.focal_px
        rays = np.column_stack([u, np.ones(len(u))]) @ self.rotation
        origin = self.position_mm
        s = (height_mm - origin[2]) / rays[:, 2]
        return np.asarray(origin[:2] + s[:, None] * rays[:, :2])

    @property
    def position_mm(self) -> Array:
        """The lens in plane millimetres, shape (3,)."""
        return np.asarray(-self.rotation.T @ self.translation_mm)

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the plane's normal."""
        return float(np.degrees(np.arccos(np.clip(-self.rotation[2, 2], -1, 1))))

    def slope(self, xy_mm: Array) -> Array:
        """Horizontal run per unit of depth of the line of sight at plane points (n, 2): shape (n, 2).

        Points away from the lens: the far wall of a bore shows on the side this vector points to.
        """
        origin = self.position_mm
        return np.asarray((np.asarray(xy_mm, float) - origin[:2]) / origin[2])


def mm_per_px(camera: Camera, px: Array) -> Array:
    """Local map (n, 2, 2) from pixel steps to plane millimetres at points (n, 2)."""
    h = 0.5
    dx, dy = np.array([h, 0.0]), np.array([0.0, h])
    n = len(px)
    all_mm = camera.to_mm(np.vstack([px + dx, px - dx, px + dy, px - dy]))
    return np.stack(
        [(all_mm[:n] - all_mm[n : 2 * n]) / (2 * h), (all_mm[2 * n : 3 * n] - all_mm[3 * n :]) / (2 * h)], axis=2
    )


def focal_of(width_px: int, height_px: int, focal_px: float | None) -> float:
    """EXIF's focal length in px, or a usual phone's."""
    return focal_px or USUAL_FOCAL_35MM * float(np.hypot(width_px, height_px)) / FULL_FRAME_DIAGONAL_MM


def straight_above(
    width_px: int, height_px: int, focal_px: float | None = None, *, picture_width_mm: float = 620.0
) -> Camera:
    """A camera straight above the plane, for going on without a scale.

    Parameters
    ----------
    picture_width_mm : what the picture's longer side is taken to span, so that rims of usual size are
        looked for; a seat that fills the picture is 350 to 500 mm across (common practice, no source).
    """
    half = float(np.hypot(width_px, height_px) / 2)
    focal = focal_of(width_px, height_px, focal_px)
    return Camera(
        focal_px=focal,
        k1=0.0,
        centre_px=np.array([(width_px - 1) / 2, (height_px - 1) / 2]),
        half_diagonal_px=half,
        rotation=np.diag([1.0, -1.0, -1.0]),
        translation_mm=np.array([0.0, 0.0, focal * picture_width_mm / max(width_px, height_px)]),
    )
