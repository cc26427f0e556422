"""Four-cornered shapes that could be a rectangle of a given shape: proposals, many of them wrong.

Three lines that meet at two corners (a base and two arms) fix the direction of a
plane when the focal length is about known; the known ratio of the sides then says
where the fourth side must be, so a side that cannot be seen is no obstacle and a
rectangle of another shape finds no edge where its fourth side should be.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holecount.scale.rectangle_pose import shape_of_quads
from holecount.scale.segments import Lines, direction_map, edge_share, find_segments, join_lines, reduce_picture

Array = NDArray[np.float64]


BURNT_OUT_CODE = 245
"""Pixels whose three channels all reach this code show no edges (linear 0.91; measured on the sample set, 2026-11)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class QuadSettings:
    """How proposals are made; pixels are those of the reduced picture.

    Attributes
    ----------
    long_side_px : int
        The picture is reduced to about this (800-1600; measured on the sample set, 2026-11:
        cards of 1/12 of the picture's width are found).
    least_long_side_share : float
        Long side of a rectangle over the picture's long side, at least (0.03-0.1). A seat of 300 mm that
        fills the picture shows a card's 85.6 mm over 0.2 of it; 0.045 leaves room to spare (derived).
    most_tilt_deg : float
        Steepest plane looked for (45-70).
    corner_gap_share : float
        Gap between a side's edge and the corner, as a share of the edge's length (0.1-0.3): the round
        corner of a bank card takes 0.06 of its short side (derived), noise and print take more.
    most_boxes : int
        Bases with two arms followed up, those with most edge first (1000-4000).
    most, most_by_ends : int
        Proposals handed on, and how many more with a side that shows no edge.
    """

    long_side_px: int = 1050
    least_long_side_share: float = 0.045
    most_tilt_deg: float = 62.0
    corner_gap_share: float = 0.15
    most_boxes: int = 1800
    most: int = 36
    most_by_ends: int = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Quads:
    """Proposals, best first, in pixels of the reduced picture.

    Attributes
    ----------
    corners_px : shape (n, 4, 2)
        Round the shape; sides 0-1 and 2-3 are the long ones.
    edge_share : shape (n, 4)
        How much of each side (k to k + 1) lies on an edge.
    overrun : shape (n,)
        Edges that go on past the corners, 0 (none) to 8 (all).
    score : shape (n,)
    """

    corners_px: Array
    edge_share: Array
    overrun: Array
    score: Array


def _cross(a: Array, b: Array) -> Array:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Boxes:
    """Bases with two arms: corners, directions of the arms (all (n, 2)) and how long each arm's edge is (n,)."""

    x1: Array
    x2: Array
    d1: Array
    d2: Array
    reach1: Array
    reach2: Array

    def take(self, which: NDArray[np.bool_]) -> "_Boxes":
        return _Boxes(
            x1=self.x1[which],
            x2=self.x2[which],
            d1=self.d1[which],
            d2=self.d2[which],
            reach1=self.reach1[which],
            reach2=self.reach2[which],
        )


_FAR = 1e9
"""Pixels beyond any picture, for what is not there."""


def _runs(lines: Lines, t: Array, allowed: Array) -> tuple[Array, Array, Array, Array]:
    """What each line does at each crossing t[i, j] (px along line i).

    Returns
    -------
    ahead, behind : shape (n, n)
        Distance to the nearest piece that goes on forwards, backwards; huge where there is none.
    last, first : shape (n, n)
        Where the run of pieces ahead ends and the run behind begins, gaps up to ``allowed[i]`` bridged.
    """
    ahead, behind = np.full(t.shape, _FAR), np.full(t.shape, _FAR)
    last, first = t.copy(), t.copy()
    for i, piece in enumerate(lines.pieces):
        begin, end = piece[:, 0], np.maximum.accumulate(piece[:, 1])
        broken = np.r_[True, begin[1:] - end[:-1] > allowed[i]]
        run = np.cumsum(broken) - 1
        run_begin, run_end = begin[broken], np.r_[end[:-1][broken[1:]], end[-1]]
        at = t[i][:, None]
        forward = np.where(piece[:, 1] > at + 5, np.maximum(begin - at, 0), _FAR)
        backward = np.where(begin < at - 5, np.maximum(at - piece[:, 1], 0), _FAR)
        ahead[i], behind[i] = forward.min(axis=1), backward.min(axis=1)
        last[i] = np.where(ahead[i] < _FAR, run_end[run[forward.argmin(axis=1)]], t[i])
        first[i] = np.where(behind[i] < _FAR, run_begin[run[backward.argmin(axis=1)]], t[i])
    return ahead, behind, last, first


def _open_boxes(lines: Lines, settings: QuadSettings, least_base_px: float) -> _Boxes:
    """Every base with two arms on one side of it."""
    u, c = lines.direction, lines.point
    sine = _cross(u[:, None], u[None])
    between = c[None] - c[:, None]
    crossing = np.abs(sine) > np.sin(np.radians(40))
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(crossing, _cross(between, np.broadcast_to(u[None], between.shape)) / sine, _FAR)
    allowed = np.clip(settings.corner_gap_share * lines.length_px, 8, 40)
    ahead, behind, last, first = _runs(lines, t, allowed)
    forward, backward = crossing & (ahead <= allowed[:, None]), crossing & (behind <= allowed[:, None])
    base, left, right, side = [], [], [], []
    cos_most = np.cos(np.radians(35))
    for s in (1.0, -1.0):
        arm_sign = np.sign(sine) * s
        # arms[i, j]: line j leaves line i on side s, and has an edge there
        arms = np.where(arm_sign > 0, forward.T, backward.T)
        for i in range(len(c)):
            lefts, rights = np.flatnonzero(arms[i] & forward[i]), np.flatnonzero(arms[i] & backward[i])
            if len(lefts) == 0 or len(rights) == 0:
                continue
            d_left, d_right = u[lefts] * arm_sign[i, lefts, None], u[rights] * arm_sign[i, rights, None]
            fits = (t[i, rights][None] - t[i, lefts][:, None] > least_base_px) & (d_left @ d_right.T > cos_most)
            a, b = np.nonzero(fits)
            base.append(np.full(len(a), i))
            left.append(lefts[a])
            right.append(rights[b])
            side.append(np.full(len(a), s))
    if not base:
        none, zero = np.zeros((0, 2)), np.zeros(0)
        return _Boxes(x1=none, x2=none, d1=none, d2=none, reach1=zero, reach2=zero)
    b, j, k, sign = np.concatenate(base), np.concatenate(left), np.concatenate(right), np.concatenate(side)
    sign1, sign2 = np.sign(sine[b, j]) * sign, np.sign(sine[b, k]) * sign
    return _Boxes(
        x1=c[b] + t[b, j][:, None] * u[b],
        x2=c[b] + t[b, k][:, None] * u[b],
        d1=u[j] * sign1[:, None],
        d2=u[k] * sign2[:, None],
        reach1=np.where(sign1 > 0, last[j, b] - t[j, b], t[j, b] - first[j, b]),
        reach2=np.where(sign2 > 0, last[k, b] - t[k, b], t[k, b] - first[k, b]),
    )


def close_box(
    x1: Array, x2: Array, d1: Array, d2: Array, ratio: float, focal_px: float, centre_px: Array
) -> tuple[Array, Array, Array]:
    """Where the arms of a base x1-x2 end when they are ``ratio`` times the base long in their plane.

    Parameters
    ----------
    x1, x2, d1, d2 : shape (n, 2)
        Base corners and the directions in which the arms leave them, pinhole pixels.

    Returns
    -------
    end1, end2 : shape (n, 2)
    tilt_deg : shape (n,)
        Between the line of sight and the plane's normal at the picture's middle; NaN where there is no such plane.
    """
    one, none = np.ones((len(x1), 1)), np.zeros((len(x1), 1))

    def unit(v: Array) -> Array:
        return np.asarray(v / np.maximum(np.linalg.norm(v, axis=1, keepdims=True), 1e-12))

    ray1, ray2 = np.hstack([(x1 - centre_px) / focal_px, one]), np.hstack([(x2 - centre_px) / focal_px, one])
    flat1, flat2 = np.hstack([d1, none]), np.hstack([d2, none])
    arm = np.cross(unit(np.cross(ray1, flat1)), unit(np.cross(ray2, flat2)))
    parallel = np.linalg.norm(arm, axis=1, keepdims=True) < 1e-7
    arm = unit(np.where(parallel, flat1, arm))
    along = unit(np.cross(np.cross(ray1, ray2), arm))

    def towards(v: Array, wanted: Array) -> Array:
        seen = v[:, :2] - ray1[:, :2] * v[:, 2:]
        return np.asarray(v * np.where((seen * wanted).sum(axis=1) < 0, -1.0, 1.0)[:, None])

    arm, along = towards(arm, d1), towards(along, x2 - x1)
    normal = np.cross(arm, along)
    with np.errstate(all="ignore"):
        depth2 = (normal * ray1).sum(axis=1) / (normal * ray2).sum(axis=1)
        p2 = ray2 * depth2[:, None]
        reach = arm * (ratio * np.linalg.norm(p2 - ray1, axis=1))[:, None]
        q1, q2 = ray1 + reach, p2 + reach
        end1 = q1[:, :2] / q1[:, 2:] * focal_px + centre_px
        end2 = q2[:, :2] / q2[:, 2:] * focal_px + centre_px
    tilt = np.degrees(np.arccos(np.clip(np.abs(normal[:, 2]), 0, 1)))
    wrong = (depth2 <= 0) | (q1[:, 2] < 0.2) | (q2[:, 2] < 0.2) | ~np.isfinite(end1 + end2).all(axis=1)
    return np.nan_to_num(end1), np.nan_to_num(end2), np.where(wrong, np.nan, tilt)


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgePicture:
    """A photograph reduced to its straight edges, ready for proposals of any shape.

    Attributes
    ----------
    small : uint8 array
        The reduced picture.
    scale : float
        Its size over the photograph's.
    focal_px : float
        Of the reduced picture.
    maps : uint8 array
        Edges by direction, from `direction_map`.
    burnt_out : uint8 array
        1 where the picture is burnt out, at the size of one map.
    boxes : _Boxes
    """

    small: NDArray[np.uint8]
    scale: float
    focal_px: float
    maps: NDArray[np.uint8]
    burnt_out: NDArray[np.uint8]
    boxes: _Boxes


def edge_picture(bgr: NDArray[np.uint8], focal_px: float, settings: QuadSettings) -> EdgePicture:
    """Reduce a photograph, find its straight edges and every base with two arms among them."""
    small, scale = reduce_picture(bgr, settings.long_side_px)
    segments = find_segments(small)
    h, w = small.shape[:2]
    maps = direction_map(segments, w, h)
    least_base_px = max(16.0, 0.4 * settings.least_long_side_share * max(h, w))
    boxes = _open_boxes(join_lines(segments), settings, least_base_px)
    boxes = boxes.take(edge_share(maps, boxes.x1, boxes.x2, start=0.06, stop=0.94, samples=20)[0] > 0.45)
    # Arms of the shortest kind: half the base as seen.
    base_px = np.linalg.norm(boxes.x2 - boxes.x1, axis=1, keepdims=True)
    arms = np.stack([boxes.x1, boxes.x2]), np.stack([boxes.x1 + boxes.d1 * base_px, boxes.x2 + boxes.d2 * base_px])
    share = edge_share(maps, *arms, start=0.05, stop=0.5, samples=10)[0]
    likely = (share > 0.35).all(axis=0)
    if likely.sum() > settings.most_boxes:
        likely &= share.sum(axis=0) >= np.sort(share.sum(axis=0)[likely])[-settings.most_boxes]
    boxes = boxes.take(np.asarray(likely))
    white = np.zeros(maps.shape[1:], np.uint8)
    half = small[::2, ::2].min(axis=2) >= BURNT_OUT_CODE
    white[: half.shape[0], : half.shape[1]] = half
    return EdgePicture(small=small, scale=scale, focal_px=focal_px * scale, maps=maps, burnt_out=white, boxes=boxes)


def propose_quads(picture: EdgePicture, ratio: float, settings: QuadSettings) -> Quads:
    """Shapes in the reduced picture that could be rectangles with a long side of ``ratio`` short ones."""
    h, w = picture.small.shape[:2]
    centre = np.array([(w - 1) / 2, (h - 1) / 2])
    quads = [
        _closed_by_shape(picture.maps, picture.boxes, r, picture.focal_px, centre, settings)
        for r in ((1 / ratio, ratio) if ratio > 1 else (1.0,))
    ]
    by_ends = _closed_by_ends(picture.boxes, ratio, picture.focal_px, centre)
    corners = np.concatenate([*quads, by_ends])
    share, overrun = _support(picture, corners)
    side = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2)
    fits = (side.max(axis=1) > settings.least_long_side_share * max(h, w)) & (side.min(axis=1) > 14)
    fits &= np.sort(share, axis=1)[:, 1] > 0.5
    score = share.sum(axis=1) - 0.3 * overrun
    kept = _distinct(corners, np.where(fits, score, -np.inf), settings.most, [])
    # A side without contrast leaves the ends of its neighbours to go by; some places are kept for such.
    score3 = share.sum(axis=1) - share.min(axis=1) - 0.3 * overrun
    score3[: len(corners) - len(by_ends)] = -np.inf
    kept = _distinct(corners, np.where(fits, score3, -np.inf), settings.most + settings.most_by_ends, kept)
    return Quads(corners_px=corners[kept], edge_share=share[kept], overrun=overrun[kept], score=score[kept])


def _distinct(corners: Array, score: Array, most: int, kept: list[int]) -> list[int]:
    """Add the best quads that are not yet there, up to ``most`` in all."""
    out = list(kept)
    middle = corners.mean(axis=1)
    size = np.abs(corners - middle[:, None]).max(axis=(1, 2))
    best = np.flatnonzero(np.isfinite(score))
    for b in best[np.argsort(-score[best], kind="stable")][:2000]:
        if len(out) >= most:
            break
        tolerance = 0.02 * float(size[b]) + 1.5
        near = [k for k in out if np.abs(middle[k] - middle[b]).max() < tolerance]
        if not any(_same(corners[b], corners[k], tolerance) for k in near):
            out.append(int(b))
    return out


def _same(a: Array, b: Array, tolerance_px: float) -> bool:
    """Whether two quads have the same corners, whichever comes first."""
    return bool((np.abs(a[:, None] - b[None]).max(axis=2).min(axis=1) < tolerance_px).all())


def _closed_by_shape(
    maps: NDArray[np.uint8], boxes: _Boxes, ratio: float, focal_px: float, centre_px: Array, settings: QuadSettings
) -> Array:
    """Quads (long side first) whose arms are ``ratio`` times the base, the fourth side where there is an edge near."""
    end1, end2, tilt = close_box(boxes.x1, boxes.x2, boxes.d1, boxes.d2, ratio, focal_px, centre_px)
    ok = np.nan_to_num(tilt, nan=90.0) < settings.most_tilt_deg
    x1, x2, end1, end2 = boxes.x1[ok], boxes.x2[ok], end1[ok], end2[ok]
    slack = np.linspace(-0.06, 0.06, 9)
    far1 = end1[:, None] + slack[:, None] * (end1 - x1)[:, None]
    far2 = end2[:, None] + slack[:, None] * (end2 - x2)[:, None]
    share, _ = edge_share(maps, far1, far2, start=0.08, stop=0.92, samples=20)
    # Where most edge is, and where most is nearby: a magnetic stripe shows better than the side it runs along.
    row = np.arange(len(x1))
    quads = []
    for within in (0.06, 0.025):
        near = np.abs(slack) < within + 0.001
        pick = np.where(near, share - np.abs(slack), -1.0).argmax(axis=1)
        pick = np.where(share[row, pick] > 0.3, pick, len(slack) // 2)
        quads.append(np.stack([x1, x2, far2[row, pick], far1[row, pick]], axis=1))
    both = np.concatenate(quads)
    return np.roll(both, -1, axis=1) if ratio > 1 else both


def _closed_by_ends(boxes: _Boxes, ratio: float, focal_px: float, centre_px: Array) -> Array:
    """Quads (long side first) of about the right shape whose fourth side is where both arms' edges end."""
    quad = np.stack(
        [
            boxes.x1,
            boxes.x2,
            boxes.x2 + boxes.d2 * (boxes.reach2 + 3)[:, None],
            boxes.x1 + boxes.d1 * (boxes.reach1 + 3)[:, None],
        ],
        axis=1,
    )
    if len(quad) == 0:
        return quad
    shape, cosine = shape_of_quads(quad, focal_px, centre_px)
    off = np.log(np.maximum(np.nan_to_num(shape), 1e-6))
    square = np.abs(np.nan_to_num(cosine, nan=1.0)) < 0.25
    wide, tall = square & (np.abs(off - np.log(ratio)) < 0.4), square & (np.abs(off + np.log(ratio)) < 0.4)
    return np.concatenate([quad[wide], np.roll(quad[tall], -1, axis=1)])


def _support(picture: EdgePicture, quad: Array) -> tuple[Array, Array]:
    """Edge share of each side (n, 4) and overrun (n,)."""
    nxt = np.roll(quad, -1, axis=1)
    shares, inside = edge_share(picture.maps, quad, nxt, start=0.08, stop=0.92, samples=20)
    before, _ = edge_share(picture.maps, quad, nxt, start=-0.22, stop=-0.08, samples=5)
    after, _ = edge_share(picture.maps, quad, nxt, start=1.08, stop=1.22, samples=5)
    # What is outside the picture or burnt out says nothing for or against.
    everywhere = np.broadcast_to(picture.burnt_out, picture.maps.shape)
    mute = edge_share(everywhere, quad, nxt, start=0.08, stop=0.92, samples=10)[0] + 1.0 - inside
    return np.minimum(shares + 0.6 * mute, 1.0), (before + after).sum(axis=1)
