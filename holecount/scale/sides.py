"""The straight sides of a flat thing, to a fraction of a pixel.

Two passes: the strongest straight edge near each proposed side (any colour, either
polarity), then a model of what is seen across it in linear light: the face, the
side wall of the thing where the camera looks at it (a bank card's white core is a bright
strip 1-3 px wide), what lies beneath with its contact shadow, all blurred. The face ends where
the wall begins; the strongest edge is often the wall's foot.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from holecount.photo import LINEAR_FROM_SRGB

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class RoughSides:
    """Sides of n quads after the first pass.

    Attributes
    ----------
    ends_px : shape (n, 4, 2, 2)
        Two points of each side's line, where its corners were thought to be.
    share : shape (n, 4)
        How much of the side in the picture lies on an edge.
    inside : shape (n, 4)
        How much of the side is in the picture and not burnt out on both sides, so that an edge could be seen.
    """

    ends_px: Array
    share: Array
    inside: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class SideReading:
    """What is seen across one side: for each part of its length, where the face may end.

    Attributes
    ----------
    middle_px : shape (m, 2)
        Middles of the parts on the line that was looked along.
    normal : shape (2,)
        Unit, outwards.
    log_p : shape (m, len(OFFSETS_PX))
        Log probability of each offset along the normal, part by part.
    wall_px : float
        Width of the wall the camera sees, 0 where it is hidden.
    colour_share : float
        Share of the contrast that is in colour, which pictures keep at half their sharpness.
    blur_px : float
        Likeliest standard deviation of the edge's blur.
    """

    middle_px: Array
    normal: Array
    log_p: Array
    wall_px: float
    colour_share: float
    blur_px: float

    def together(self) -> Array:
        """Log probability of one offset for the whole side; a part that disagrees counts for little."""
        total = np.logaddexp(self.log_p, -6.0).sum(axis=0)
        return np.asarray(total - total.max())

    def modes_px(self, *, most: int = 4, least_log_p: float = -14.0, apart_px: float = 0.5) -> tuple[Array, Array]:
        """Offsets at which the whole side may lie, likeliest first, and their log probabilities."""
        p = self.together()
        top = np.flatnonzero((p >= np.r_[-np.inf, p[:-1]]) & (p >= np.r_[p[1:], -np.inf]) & (p > least_log_p))
        kept: list[int] = []
        for k in top[np.argsort(-p[top], kind="stable")]:
            if all(abs(OFFSETS_PX[k] - OFFSETS_PX[j]) >= apart_px for j in kept):
                kept.append(int(k))
        return OFFSETS_PX[kept[:most]], p[kept[:most]]

    def points_near(self, offset_px: float, within_px: float = 0.9) -> tuple[Array, Array]:
        """Edge points (m, 2) and their uncertainties across the side (m,), given that it lies near an offset."""
        allowed = np.abs(OFFSETS_PX - offset_px) <= within_px
        at, log_p = OFFSETS_PX[allowed], self.log_p[:, allowed]
        p = np.exp(log_p - log_p.max(axis=1, keepdims=True))
        p /= p.sum(axis=1, keepdims=True)
        offset = p @ at
        u = np.sqrt(np.maximum(p @ at**2 - offset**2, 0.0) + 0.03**2)
        # A part whose likeliest offset lies elsewhere says nothing here.
        absent = log_p.max(axis=1) < -7.0
        return self.middle_px + offset[:, None] * self.normal, np.where(absent, 10.0, u)


def outward_normals(corners_px: Array) -> Array:
    """Unit normals (..., 4, 2) of the sides k to k + 1 of quads (..., 4, 2), pointing away from the middle."""
    d = np.roll(corners_px, -1, axis=-2) - corners_px
    n = np.stack([d[..., 1], -d[..., 0]], axis=-1) / np.maximum(np.linalg.norm(d, axis=-1, keepdims=True), 1e-9)
    out = corners_px + d / 2 - corners_px.mean(axis=-2, keepdims=True)
    return np.asarray(n * np.where((out * n).sum(axis=-1) < 0, -1.0, 1.0)[..., None])


def corners_of(ends_px: Array) -> Array:
    """Where side k - 1 crosses side k, shape (..., 4, 2), of sides of two points each, (..., 4, 2, 2)."""
    before = np.roll(ends_px, 1, axis=-3)
    p, d = before[..., 0, :], before[..., 1, :] - before[..., 0, :]
    q, e = ends_px[..., 0, :], ends_px[..., 1, :] - ends_px[..., 0, :]
    det = d[..., 0] * e[..., 1] - d[..., 1] * e[..., 0]
    w = q - p
    with np.errstate(divide="ignore", invalid="ignore"):
        s = np.where(np.abs(det) > 1e-6, (w[..., 0] * e[..., 1] - w[..., 1] * e[..., 0]) / det, np.nan)
    return np.asarray(p + d * s[..., None])


def _sample(bgr: NDArray[np.uint8], at: Array) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Coded colours at points (rows, n, 2), shape (rows, n, 3), and whether each is in the picture."""
    h, w = bgr.shape[:2]
    inside = (at[..., 0] >= 0) & (at[..., 1] >= 0) & (at[..., 0] <= w - 1) & (at[..., 1] <= h - 1)
    x0, y0 = np.clip(np.floor(at.min(axis=(0, 1))).astype(int) - 2, 0, [w - 1, h - 1])
    x1, y1 = np.clip(np.ceil(at.max(axis=(0, 1))).astype(int) + 3, 1, [w, h])
    part = bgr[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)].astype(np.float32)
    m = (at - [x0, y0]).astype(np.float32)
    got = cv2.remap(part, m[..., 0], m[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(got, np.float32), inside


def rough_sides(
    bgr: NDArray[np.uint8],
    corners_px: Array,
    reach_px: float,
    *,
    margin: float = 0.08,
    stations: int = 32,
    burnt_out_code: float = 245.0,
) -> RoughSides:
    """First pass: the straight line with most edge within ``reach_px`` of each side of quads (n, 4, 2).

    ``margin`` is the share of a side left out at each end, where corners are round. Where all is at
    ``burnt_out_code`` or above nothing can be seen, as outside the picture.
    """
    n = len(corners_px)
    sides = 4 * n
    ends = np.stack([corners_px, np.roll(corners_px, -1, axis=1)], axis=2).reshape(sides, 2, 2)
    normal = outward_normals(corners_px).reshape(sides, 2)
    reach = max(3, round(reach_px))
    around = reach + 3  # what is usual here is judged from somewhat further out
    x = np.arange(-around - 2, around + 3, dtype=float)
    fine = margin + (1 - 2 * margin) * (np.arange(3 * stations) + 0.5) / (3 * stations)
    along = ends[:, 0, None] + fine[None, :, None] * (ends[:, 1] - ends[:, 0])[:, None]
    at = along[:, :, None] + x[None, None, :, None] * normal[:, None, None]
    got, inside = _sample(bgr, at.reshape(-1, len(x), 2))
    got = got.reshape(sides, stations, 3, len(x), 3).mean(axis=2)
    usable = inside.reshape(sides, stations, 3, len(x)).all(axis=(2, 3))
    usable &= got[:, :, np.abs(x) <= 3].min(axis=(2, 3)) < burnt_out_code
    step = got[:, :, 3:-1] + got[:, :, 4:] - got[:, :, :-4] - got[:, :, 1:-3]
    strength = np.sqrt((step**2).sum(axis=3)) / 2
    usual = np.median(strength.reshape(sides, -1), axis=1)
    level = np.clip(strength / (3.0 * usual + 3.0)[:, None, None], 0, 1) * usable[:, :, None]
    # The line: offsets at both ends in whole pixels, most edge along it.
    tt = (np.arange(stations) + 0.5) / stations
    starts = np.arange(-reach, reach + 1)
    where = np.round(starts[:, None, None] * (1 - tt) + starts[None, :, None] * tt).astype(int) + around
    total = np.zeros((sides, len(starts), len(starts)), np.float32)
    for s in range(stations):
        total += level[:, s, where[:, :, s]]
    total -= 0.01 * (np.abs(starts[:, None]) + np.abs(starts[None]))
    best = total.reshape(sides, -1).argmax(axis=1)
    fit = np.stack([starts[best // len(starts)], starts[best % len(starts)]], axis=1).astype(float)
    # Peaks within 2 px of that line, and a robust line through them.
    near = np.round(fit[:, :1] * (1 - tt) + fit[:, 1:] * tt).astype(int)[:, :, None] + around + np.arange(-2, 3)
    near = np.clip(near, 0, strength.shape[2] - 1)
    mass = np.take_along_axis(strength, near, axis=2) ** 2
    peak = (mass * (near - around)).sum(axis=2) / np.maximum(mass.sum(axis=2), 1e-9)
    weight = np.take_along_axis(level, near, axis=2).max(axis=2)
    for _ in range(4):
        r = peak - fit[:, :1] * (1 - tt) - fit[:, 1:] * tt
        w = weight * np.maximum(0.0, 1 - (r / 2.0) ** 2) ** 2
        aa, ab, bb = ((w * c).sum(axis=1) for c in ((1 - tt) ** 2, tt * (1 - tt), tt**2))
        ra, rb = (w * r * (1 - tt)).sum(axis=1), (w * r * tt).sum(axis=1)
        aa, bb = aa + 1e-3, bb + 1e-3
        det = aa * bb - ab**2
        fit = fit + np.stack([(bb * ra - ab * rb) / det, (aa * rb - ab * ra) / det], axis=1)
    r = peak - fit[:, :1] * (1 - tt) - fit[:, 1:] * tt
    good = (weight > 0.6) & (np.abs(r) < 1.5) & usable
    seen = usable.sum(axis=1)
    slope = (fit[:, 1] - fit[:, 0]) / (1 - 2 * margin)
    at_ends = np.stack([fit[:, 0] - slope * margin, fit[:, 1] + slope * margin], axis=1)
    at_ends[seen < 6] = 0.0
    return RoughSides(
        ends_px=(ends + at_ends[:, :, None] * normal[:, None]).reshape(n, 4, 2, 2),
        share=np.where(seen < 6, 0.0, good.sum(axis=1) / np.maximum(seen, 1)).reshape(n, 4),
        inside=usable.mean(axis=1).reshape(n, 4),
    )


BLURS_PX = np.array([0.5, 0.7, 0.95, 1.3, 1.8, 2.5, 3.5])
"""Edge blurs tried (standard deviation): a quarter to a third more each time, which is what a strip can tell apart.
Own choice."""
OFFSETS_PX = np.linspace(-3.5, 3.5, 43)
"""Offsets tried along a side's normal: a sixth of a pixel apart, as far as a first look may be off. Own choice."""
_SPARSE = OFFSETS_PX[::3]
"""Offsets that do for settling blur and shadow, half a pixel apart. Own choice."""
_NOISE = 0.012
"""Linear-light noise against which the priors of the levels are weighed; measured on the sample set, 2026-11."""
_NOISE_FLOOR, _MODEL_MISFIT, _COLOUR_MISFIT = 0.003, 0.02, 0.08
"""Noise of a part's profile in linear light, and what the model leaves unexplained as a share of the contrast in
brightness and in colour; measured on the sample set, 2026-11."""
_LEVEL_PRIOR = np.array([0.4, 0.5, 0.4, 0.0, 0.0, 0.0])
_LEVEL_SPREAD = np.array([1.0, 0.4, 1.0, 0.15, 0.15, 0.004])
"""Face, wall, what lies beneath, narrow and wide contact shadow, believed before looking: next to nothing, but that
a wall is neither blacker than a shadow nor brighter than white card, and a shadow no source of light. Own choice."""
_LUMA = np.array([0.114, 0.587, 0.299], np.float32)
"""Blue, green and red in the brightness that a JPEG keeps at full sharpness (ITU-R BT.601)."""
_FULL = 0.97
"""From here on a channel counts as burnt out: only 'at least this' is known (sRGB code 251; own choice)."""
_NEARLY_FULL = 0.88
"""Beside a burnt-out face the same holds from here on: what burnt out was smoothed afterwards (JPEG, averaging). Own
choice."""
_BURNT_LEVEL, _BURNT_SPREAD = 1.5, 0.5
"""What a burnt-out face would read if it could: measured on the sample set, 2026-11."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SideStrip:
    """Linear light across one side, averaged part by part along it.

    Attributes
    ----------
    light : shape (m, 3, len(across_px))
    across_px : shape (n,)
        Distances outwards from the line that was looked along.
    middle_px : shape (m, 2)
        Middles of the parts on that line.
    normal : shape (2,)
    wall_px : float
        Width of the wall as the camera sees it, 0 where it is hidden.
    px_per_mm : float
        Across the side.
    """

    light: Array
    across_px: Array
    middle_px: Array
    normal: Array
    wall_px: float
    px_per_mm: float


def side_strip(
    bgr: NDArray[np.uint8],
    ends_px: Array,
    normal: Array,
    wall_px: float,
    px_per_mm: float,
    margin: float,
    *,
    colours: bool = True,
) -> SideStrip | None:
    """Read 1.1 mm (at least 4.5 px) on either side of a side given by its corners (2, 2), good to about 3 px.

    ``margin`` is the share of the side left out at each end. None when too little of it is in the picture.
    Without ``colours`` all three channels are the coded brightness.
    """
    a, b = ends_px
    n_rows = int(np.clip(np.linalg.norm(b - a) * (1 - 2 * margin), 24, 320))
    n_parts = int(np.clip(n_rows / 16, 4, 10))
    per = n_rows // n_parts
    n_rows = per * n_parts
    t = margin + (1 - 2 * margin) * (np.arange(n_rows) + 0.5) / n_rows
    half_width = min(14.0, max(4.5, 1.1 * px_per_mm))
    x = np.arange(-np.ceil(half_width), np.ceil(half_width + wall_px) + 1)
    got, inside = _sample(bgr, (a + t[:, None] * (b - a))[:, None] + x[None, :, None] * normal)
    if not colours:
        got = np.repeat(got @ _LUMA[:, None], 3, axis=2)
    linear = np.interp(got, np.arange(256), LINEAR_FROM_SRGB)
    usable = inside.all(axis=1).reshape(n_parts, per).mean(axis=1) > 0.8
    if usable.sum() < 3:
        return None
    middle = t.reshape(n_parts, per).mean(axis=1)[usable]
    return SideStrip(
        light=linear.reshape(n_parts, per, len(x), 3).mean(axis=1).transpose(0, 2, 1)[usable],
        across_px=x,
        middle_px=a + middle[:, None] * (b - a),
        normal=normal,
        wall_px=wall_px,
        px_per_mm=px_per_mm,
    )


def read_strips(strips: list[SideStrip | None]) -> list[SideReading | None]:
    """Where the face may end along each side.

    The blur is nearly the same for all sides of one thing, so they settle it together: a side whose
    wall or shadow looks like blur is not taken in. A hard shadow beside the thing is thought of as
    well; a dark card's face may run into it without much of an edge.
    """
    none = _Shadow(width_mm=0.0)

    def by_blur(s: SideStrip, blurs_px: Array, way: _Shadow) -> Array:
        evidence = _evidence(s, s.light.mean(axis=0)[None], blurs_px, way, _SPARSE)[0]
        return np.asarray(np.logaddexp.reduce(evidence, axis=0))

    each = [None if s is None else by_blur(s, BLURS_PX, none) for s in strips]
    votes = [np.maximum(e - e.max(), -6.0) for e in each if e is not None]
    together = np.sum(votes, axis=0) if votes else np.zeros(len(BLURS_PX))
    out: list[SideReading | None] = []
    for s, own in zip(strips, each, strict=True):
        if s is None or own is None:
            out.append(None)
            continue
        wanted = together + np.maximum(own - own.max(), -6.0)
        blurs = np.argsort(-wanted, kind="stable")[:2]
        ways = [none, *(_Shadow(width_mm=w) for w in _SHADOWS_MM)]
        weight = np.array([by_blur(s, BLURS_PX[blurs], way) + wanted[blurs] + way.log_prior for way in ways])
        weight -= weight.max()
        log_p: Array | None = None
        for way, w in zip(ways, weight, strict=True):
            use = w > -4.0
            if use.any():
                evidence = _evidence(s, s.light, BLURS_PX[blurs][use], way, OFFSETS_PX)
                evidence -= np.logaddexp.reduce(evidence, axis=1)[:, None]
                part = np.logaddexp.reduce(evidence + w[use], axis=2)
                log_p = part if log_p is None else np.logaddexp(log_p, part)
        assert log_p is not None
        middle, levelled = _levelled(s, log_p - np.logaddexp.reduce(log_p, axis=1)[:, None])
        out.append(
            SideReading(
                middle_px=middle,
                normal=s.normal,
                log_p=levelled,
                wall_px=s.wall_px,
                colour_share=_colour_share(s),
                blur_px=float(BLURS_PX[blurs[0]]),
            )
        )
    return out


def _levelled(strip: SideStrip, log_p: Array) -> tuple[Array, Array]:
    """Turn the line that was looked along so that one offset suits most parts; new middles and log probabilities.

    The first look can be a pixel or two out at one end, where something crosses the side.
    """
    along = (strip.middle_px - strip.middle_px.mean(axis=0)) @ np.array([-strip.normal[1], strip.normal[0]])
    lever = along / max(float(np.abs(along).max()), 1e-9)
    slopes = np.linspace(-3.0, 3.0, 13)
    turned, best = [], []
    for s in slopes:
        rows = [
            np.interp(OFFSETS_PX + s * t, OFFSETS_PX, row, left=-12.0, right=-12.0)
            for t, row in zip(lever, log_p, strict=True)
        ]
        turned.append(np.array(rows))
        # The first look is mostly right: turning has to pay.
        price = 3.0 * (s != 0) + 2.0 * float(np.log1p(s**2))
        best.append(float(np.logaddexp(turned[-1], -6.0).sum(axis=0).max()) - price)
    k = int(np.argmax(best))
    return strip.middle_px + (slopes[k] * lever)[:, None] * strip.normal, turned[k]


def _colour_share(strip: SideStrip) -> float:
    """Share of the contrast across a side that is in colour, 0 to 1."""
    mean = strip.light.mean(axis=0)
    grey = np.array([0.0722, 0.7152, 0.2126]) @ mean
    hue = mean - grey
    light, colour = float(np.ptp(grey)), float(np.ptp(hue, axis=1).max())
    return colour / max(light + colour, 1e-9)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shadow:
    """A hard shadow beside the thing, 0 for none."""

    width_mm: float

    @property
    def log_prior(self) -> float:
        return -2.5 if self.width_mm > 0 else 0.0


_SHADOWS_MM = (0.4, 0.8)
"""Widths tried: a card 0.76 mm thick under a lamp 30-45 degrees off the vertical (derived)."""


def _below(z: Array) -> Array:
    """The normal distribution function, to 3e-4 (Page 1977's tanh form)."""
    return np.asarray(0.5 * (1.0 + np.tanh(0.7978845608 * (z + 0.044715 * z**3))))


def _evidence(strip: SideStrip, y: Array, blurs_px: Array, shadow: _Shadow, offsets_px: Array) -> Array:
    """Log evidence, shape (n, offsets, blurs), of parts y (n, 3, across) for the face to end at each offset.

    Levels of face, wall, ground and shadow are integrated out channel by channel, the noise over all channels.
    """
    x, wall_px, px_per_mm = strip.across_px, strip.wall_px, strip.px_per_mm
    off, blur = np.meshgrid(offsets_px, blurs_px, indexing="ij")
    z = x[None, None] - off[..., None]
    s = blur[..., None]
    top, foot = _below(z / s), _below((z - wall_px) / s)
    away = np.maximum(z - wall_px, 0.0)
    flat_y = y.reshape(-1, len(x))
    burnt = flat_y[:, : len(x) // 3].mean(axis=1) > _FULL
    stark = burnt & (flat_y[:, -len(x) // 3 :].mean(axis=1) < 0.5)
    known = (flat_y <= np.where(stark, _NEARLY_FULL, _FULL)[:, None]).astype(float)
    # Each part and channel has levels of its own, but they are much the same all along: priors count once a side.
    spread = _LEVEL_SPREAD * np.array([1.0, np.sqrt(3.0 * len(y)), 1.0, 1.0, 1.0, 1.0])
    precision = np.tile((_NOISE / spread) ** 2, (len(flat_y), 1))
    expected = np.tile(_LEVEL_PRIOR, (len(flat_y), 1))
    precision[burnt, 0], expected[burnt, 0] = (_NOISE / _BURNT_SPREAD) ** 2 / len(y), _BURNT_LEVEL
    contrast = np.sqrt(((y.max(axis=2) - y.min(axis=2)) ** 2).sum(axis=1) / 3)
    hue = y - y.mean(axis=1, keepdims=True)
    colour_contrast = np.sqrt(((hue.max(axis=2) - hue.min(axis=2)) ** 2).sum(axis=1) / 3)
    floor = _NOISE_FLOOR**2 + (_MODEL_MISFIT * contrast) ** 2 + (_COLOUR_MISFIT * colour_contrast) ** 2
    # Neighbouring samples are not independent, hence half their number.
    n_effective = 0.5 * 3 * len(x)
    shades = [foot * np.exp(-away / max(width * px_per_mm, 0.8)) for width in (0.25, 0.8)]
    if shadow.width_mm > 0:
        shades[0] = foot - _below((z - wall_px - shadow.width_mm * px_per_mm) / s)
    lean = np.minimum(z, 0.0)
    design = np.stack([1 - top, top - foot, foot, *shades, lean], axis=-1).reshape(-1, len(x), 6)
    # Few channels and parts differ in what is known: one inverse for each kind.
    kinds, kind = np.unique(np.hstack([known, burnt[:, None]]), axis=0, return_inverse=True)
    one = np.array([np.flatnonzero(kind.ravel() == k)[0] for k in range(len(kinds))])
    pairs = (design[..., :, None] * design[..., None, :]).reshape(len(design), len(x), 36)
    normal = (known[one] @ pairs).reshape(len(design), len(one), 6, 6) + precision[one][:, :, None] * np.eye(6)
    inverse = np.linalg.inv(normal)[:, kind.ravel()]
    right = (known * flat_y) @ design + precision * expected
    levels = (inverse @ right[..., None])[..., 0]
    model = levels @ design.transpose(0, 2, 1)
    miss = np.where(known > 0, flat_y - model, np.maximum(np.minimum(flat_y, _FULL) - model, 0.0))
    rss = (miss**2).sum(axis=2) + ((levels - expected) ** 2 * precision).sum(axis=2)
    # Shadows darken: a bright border inside the face is not to be taken for one.
    rss += (np.maximum(levels[..., 3:5], 0.0) ** 2).sum(axis=2) * (_NOISE / 0.1) ** 2
    rss = rss.reshape(len(design), len(y), 3).sum(axis=2)
    return np.asarray((-0.5 * n_effective * np.log(rss / n_effective + floor)).T.reshape(len(y), *off.shape))
