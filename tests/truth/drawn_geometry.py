"""Geometry of the drawn pictures: the lens, outlines in the plane, solid bodies.

Written apart from ``holecount`` on purpose: it is the truth that the measuring is
tested against. Millimetres: x right, y to the back of the seat, z up, z = 0 is the
frame's top face. Pixels: (x, y), origin at the centre of the top-left pixel.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Single = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """A pinhole with one radial term above the frame.

    Attributes
    ----------
    width_px, height_px : int
        Of the upright picture; the optical axis meets its middle.
    f_px, k1 : float
        x_distorted = x (1 + k1 r^2), r in half diagonals.
    origin_mm : float array, shape (3,)
    axes : float array, shape (3, 3)
        Rows: the camera's right, down and forward in plane axes.
    """

    width_px: int
    height_px: int
    f_px: float
    k1: float
    origin_mm: Floats
    axes: Floats

    @staticmethod
    def above(
        *,
        width_px: int,
        height_px: int,
        f_px: float,
        k1: float,
        target_mm: tuple[float, float],
        distance_mm: float,
        tilt_deg: float,
        towards_deg: float,
        roll_deg: float,
    ) -> "Lens":
        """Look at a point of the plane from ``distance_mm``, tilted, the view leaning towards ``towards_deg``."""
        tilt, towards, roll = np.radians([tilt_deg, towards_deg, roll_deg])
        forward = np.array([np.sin(tilt) * np.cos(towards), np.sin(tilt) * np.sin(towards), -np.cos(tilt)])
        right = np.cross(forward, [np.sin(roll), np.cos(roll), 0.0])
        right /= np.linalg.norm(right)
        axes = np.array([right, np.cross(forward, right), forward])
        origin = np.array([*target_mm, 0.0]) - distance_mm * forward
        return Lens(width_px=width_px, height_px=height_px, f_px=f_px, k1=k1, origin_mm=origin, axes=axes)

    @property
    def middle_px(self) -> Floats:
        return np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

    @property
    def half_diagonal_px(self) -> float:
        return float(np.hypot(self.width_px, self.height_px) / 2)

    def project(self, xyz_mm: Floats) -> Floats:
        """Points, shape (n, 3) in mm, to pixels, shape (n, 2)."""
        seen = (np.asarray(xyz_mm, float) - self.origin_mm) @ self.axes.T
        flat = seen[:, :2] / seen[:, 2:] * self.f_px
        stretch = 1 + self.k1 * (flat**2).sum(axis=1, keepdims=True) / self.half_diagonal_px**2
        return np.asarray(flat * stretch + self.middle_px)

    def runs(self, x_px: Single, y_px: Single) -> tuple[Single, Single]:
        """Horizontal run per mm of descent of the rays through pixels: two arrays like ``x_px``."""
        dx = (x_px - np.float32(self.middle_px[0])) / np.float32(self.half_diagonal_px)
        dy = (y_px - np.float32(self.middle_px[1])) / np.float32(self.half_diagonal_px)
        far = np.sqrt(dx * dx + dy * dy)
        near = far / (1 + np.float32(self.k1) * far * far)
        for _ in range(3):  # Newton on near (1 + k1 near^2) = far
            k = np.float32(self.k1) * near * near
            near = near - (near * (1 + k) - far) / (1 + 3 * k)
        scale = np.where(far > 0, near / np.maximum(far, np.float32(1e-9)), np.float32(1)) * np.float32(
            self.half_diagonal_px / self.f_px
        )
        u, v = dx * scale, dy * scale
        a = self.axes.astype(np.float32)
        down = -(u * a[0, 2] + v * a[1, 2] + a[2, 2])
        return (u * a[0, 0] + v * a[1, 0] + a[2, 0]) / down, (u * a[0, 1] + v * a[1, 1] + a[2, 1]) / down


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """A closed curve in the plane as a signed distance: negative inside.

    Attributes
    ----------
    lines : float array, shape (n, 3)
        Outward normal (x, y) and offset of each straight side.
    arcs : float array, shape (m, 3)
        Centre and radius of large circles that contain the shape: bowed sides.
    half_axes_mm : tuple or None
        An ellipse about the origin instead of lines and arcs.
    round_mm : float
        How far the corners are rounded.
    """

    lines: Floats
    arcs: Floats
    half_axes_mm: tuple[float, float] | None = None
    round_mm: float = 0.0

    def distance_mm(self, x: Single, y: Single) -> Single:
        """Signed distance, mm, of points; exact beside straight sides, first order beside an ellipse."""
        if self.half_axes_mm is not None:
            a, b = (np.float32(v) for v in self.half_axes_mm)
            p, q = x / a, y / b
            k0 = np.sqrt(p * p + q * q)
            k1 = np.sqrt((p / a) ** 2 + (q / b) ** 2)
            return np.asarray(k0 * (k0 - 1) / np.maximum(k1, np.float32(1e-9)), np.float32)
        parts = [np.float32(nx) * x + np.float32(ny) * y - np.float32(d) for nx, ny, d in self.lines]
        parts += [np.hypot(x - np.float32(cx), y - np.float32(cy)) - np.float32(r) for cx, cy, r in self.arcs]
        out = parts[0]
        k = np.float32(max(self.round_mm * 1.2, 1e-3))
        for part in parts[1:]:  # smooth maximum: corners rounded
            h = np.maximum(k - np.abs(out - part), 0)
            out = np.maximum(out, part) + h * h / (4 * k)
        return out

    def grown(self, by_mm: float, round_mm: float) -> "Outline":
        """The parallel curve ``by_mm`` outside."""
        lines, arcs = self.lines.copy(), self.arcs.copy()
        lines[:, 2:] += by_mm
        arcs[:, 2:] += by_mm
        axes = None if self.half_axes_mm is None else (self.half_axes_mm[0] + by_mm, self.half_axes_mm[1] + by_mm)
        return Outline(lines=lines, arcs=arcs, half_axes_mm=axes, round_mm=round_mm)


def rounded_rectangle_mm(x: Single, y: Single, half_x: float, half_y: float, corner_mm: float) -> Single:
    """Signed distance to a rectangle about the origin with circular corners."""
    qx, qy = np.abs(x) - np.float32(half_x - corner_mm), np.abs(y) - np.float32(half_y - corner_mm)
    outside = np.hypot(np.maximum(qx, 0), np.maximum(qy, 0))
    return np.asarray(outside + np.minimum(np.maximum(qx, qy), 0) - np.float32(corner_mm), np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Solid:
    """A convex six-sided body: a leg, a post, a box on the floor.

    Attributes
    ----------
    corners_mm : float array, shape (8, 3)
        Four of the lower end, then the four above them, both anticlockwise seen from above.
    colour : float array, shape (3,)
        Linear blue, green, red reflectance.
    """

    corners_mm: Floats
    colour: Floats

    def planes(self) -> Floats:
        """Outward normals and offsets, shape (6, 4): bottom, top, then the four sides."""
        c, middle = self.corners_mm, self.corners_mm.mean(axis=0)
        faces = [c[[0, 1, 2]], c[[4, 5, 6]]] + [c[[i, (i + 1) % 4, 4 + i]] for i in range(4)]
        out = []
        for f in faces:
            n = np.cross(f[1] - f[0], f[2] - f[0])
            n /= np.linalg.norm(n)
            if n @ (middle - f[0]) > 0:
                n = -n
            out.append([*n, n @ f[0]])
        return np.array(out)

    def enter(self, mx: Single, my: Single, origin_mm: Floats) -> tuple[Single, NDArray[np.intp]]:
        """Descent below the lens where rays enter (infinite: they miss) and the face they enter by."""
        first = np.full(mx.shape, -np.inf, np.float32)
        last = np.full(mx.shape, np.inf, np.float32)
        face = np.zeros(mx.shape, np.intp)
        for i, (nx, ny, nz, d) in enumerate(self.planes()):
            rate = np.float32(nx) * mx + np.float32(ny) * my - np.float32(nz)
            room = np.float32(d - origin_mm @ [nx, ny, nz])
            with np.errstate(divide="ignore", invalid="ignore"):
                t = room / rate
            enters = (rate < 0) & (t > first)
            first = np.where(enters, t, first)
            face = np.where(enters, i, face)
            last = np.where((rate > 0) & (t < last), t, last)
        return np.where((first < last) & (first > 0), first, np.float32(np.inf)), face


def upright_box(
    x: float, y: float, long_mm: float, wide_mm: float, turn_deg: float, z0: float, z1: float, colour: Floats
) -> Solid:
    """A box with its foot centred at (x, y)."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    foot = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [long_mm / 2, wide_mm / 2] @ np.array([[c, s], [-s, c]]) + [
        x,
        y,
    ]
    return Solid(corners_mm=np.vstack([np.c_[foot, np.full(4, z0)], np.c_[foot, np.full(4, z1)]]), colour=colour)
