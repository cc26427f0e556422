"""From a photograph and a camera to the hole line: every slot with its place, seen or hidden."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from holecount.fixes import Fixes
from holecount.holes.flat import FlatPicture, flatten
from holecount.holes.line import (
    HoleLine,
    field_marks,
    inside_any,
    likely_steps_mm,
    trace_ring,
    usual_rim,
    weights_of,
)
from holecount.holes.rows import trace_rows
from holecount.holes.spot import Candidates, rim_evidence, spot
from holecount.photo import Photo
from holecount.scale.plane import Camera
from holecount.troubles import BadInput, UnfitPhoto

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FindSettings:
    """How far the row may overrule the picture.

    What names no source was settled on the sample set and on drawn seats, 2026-11.

    n_marks : strongest marks the line is looked for among; n_voters : those that vote for the step.
    weak_share : rim evidence below this share of a usual hole's is no mark at first.
    again_share : in an empty slot of the line, evidence above this share is looked at again.
    stray_share : evidence above this share beside the line is a stray mark; a hole drilled twice shows a third, its
        neighbour being in the way (drawn pictures, 2026-11).
    reach_share : how far from its slot a hole may lie, in steps.
    least_seen, least_seen_share : a closed line needs this many seen holes and this share of its slots;
        a doll's chair has about 20 (own choice).
    least_across_steps : narrowest way across a seat's line, in steps (own choice).
    least_gain, clear_gain : what a seat's line earns per slot at least, and clearly (sample set 1.4 to 2.6;
        lines through texture, print or a pegboard -1 to 0.7).
    least_outdone, least_outdone_clear : share of other marks that its marks outdo (sample set 0.97 to 1), at
        least, and when the gain is clear (a spotted rug in view).
    least_second : seen holes from which a second closed line is a second seat.
    least_free_share : share of a rim that lies free of outlines, below which the hole need not be seen.
    row_share, least_row_rim : rim evidence asked of marks that make open rows, which nothing else vouches
        for: over a usual hole's, and at all.
    """

    n_marks: int = 300
    n_voters: int = 160
    weak_share: float = 0.12
    again_share: float = 0.15
    stray_share: float = 0.3
    reach_share: float = 0.22
    least_seen: int = 12
    least_seen_share: float = 0.5
    least_across_steps: float = 5.0
    least_gain: float = 0.9
    clear_gain: float = 1.3
    least_outdone: float = 0.93
    least_outdone_clear: float = 0.75
    least_second: int = 24
    least_free_share: float = 0.65
    row_share: float = 0.4
    least_row_rim: float = 0.35


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The hole line in the photograph.

    Attributes
    ----------
    xy_px : float array, shape (n, 2)
        Slots in order along the line.
    hidden : bool array, shape (n,)
        Inferred, not seen.
    covered : bool array, shape (n,)
        May lie under the outline of something found on the frame, whole or for a good part of its rim.
    filled_in : bool array, shape (n,)
        Found only when the row asked for it.
    by_hand : tuple of str or None, length n
        ``open`` or ``blocked`` where the user said so.
    closed : bool; rows : tuple of int
        One closed line, or separate rows of these lengths.
    step_mm, rough_diameter_mm : float
    strays_px : float array, shape (k, 2)
        Clear marks of hole size near the line that are not part of it, clearest first.
    gain : float
        Evidence less prices per slot, for choosing among scales.
    """

    xy_px: Array
    hidden: NDArray[np.bool_]
    covered: NDArray[np.bool_]
    filled_in: NDArray[np.bool_]
    by_hand: tuple[str | None, ...]
    closed: bool
    rows: tuple[int, ...]
    step_mm: float
    rough_diameter_mm: float
    strays_px: Array
    gain: float

    def corrected(self, fixes: Fixes, camera: Camera) -> "Found":
        """With the user's corrections applied."""
        keep = np.ones(len(self.xy_px), bool)
        status = list(self.by_hand)
        xy_px, hidden = self.xy_px.copy(), self.hidden.copy()
        for place in fixes.strike_out:
            keep[self._slot_at(place.at_px, camera)] = False
        for mark in fixes.mark:
            k = self._slot_at(mark.place.at_px, camera)
            status[k], hidden[k] = mark.status, False
        made = replace(self, xy_px=xy_px, by_hand=tuple(status)).only(keep, hidden)
        for hole in fixes.add:
            made = made.with_hole(np.array([hole.x_px, hole.y_px]), hole.status, camera)
        return made

    def only(self, keep: NDArray[np.bool_], hidden: NDArray[np.bool_]) -> "Found":
        """The slots ``keep`` (n,) alone, hidden as said; a row of which nothing is left goes."""
        ends = np.cumsum(self.rows)
        left = [int(keep[e - n : e].sum()) for n, e in zip(self.rows, ends, strict=True)]
        return replace(
            self,
            xy_px=self.xy_px[keep],
            hidden=hidden[keep],
            covered=self.covered[keep],
            filled_in=self.filled_in[keep],
            by_hand=tuple(s for s, k in zip(self.by_hand, keep, strict=True) if k),
            rows=tuple(n for n in left if n) or (0,),
        )

    def _slot_at(self, at_px: tuple[float, float], camera: Camera) -> int:
        """The slot a correction means; `BadInput` when none is near."""
        at = camera.to_mm(np.array([at_px]))[0]
        away = np.hypot(*(camera.to_mm(self.xy_px) - at).T)
        k = int(away.argmin())
        if away[k] > 0.5 * self.step_mm:
            raise BadInput(
                f"There is no hole near {at_px[0]:g},{at_px[1]:g} to correct.",
                "Take the place from the marked photograph or the CSV, in pixels of the upright picture.",
            )
        return k

    def with_hole(self, at_px: Array, status: str, camera: Camera) -> "Found":
        """With one more hole: into the hidden slot it falls on, else between its nearest neighbours."""
        mm, new = camera.to_mm(self.xy_px), camera.to_mm(at_px[None])[0]
        away = np.hypot(*(mm - new).T)
        k = int(away.argmin())
        if away[k] < 0.45 * self.step_mm:
            xy, hidden, by_hand = self.xy_px.copy(), self.hidden.copy(), list(self.by_hand)
            xy[k], hidden[k], by_hand[k] = at_px, False, status
            return replace(self, xy_px=xy, hidden=hidden, by_hand=tuple(by_hand))
        ahead = np.roll(mm, -1, axis=0)
        detour = away + np.roll(away, -1) - np.hypot(*(ahead - mm).T)
        k = int(detour.argmin()) + 1
        by_hand = [*self.by_hand[:k], status, *self.by_hand[k:]]
        ends = np.cumsum(self.rows)
        grown = int(np.searchsorted(ends, k - 1, side="right"))
        return replace(
            self,
            rows=tuple(n + (i == min(grown, len(self.rows) - 1)) for i, n in enumerate(self.rows)),
            xy_px=np.insert(self.xy_px, k, at_px, axis=0),
            hidden=np.insert(self.hidden, k, False),
            covered=np.insert(self.covered, k, False),
            filled_in=np.insert(self.filled_in, k, False),
            by_hand=tuple(by_hand),
        )


def find_line(
    photo: Photo, camera: Camera, outlines_px: Sequence[Array] = (), settings: FindSettings | None = None
) -> Found | None:
    """Find the seat's hole line; None when the marks make no line.

    Parameters
    ----------
    outlines_px : outlines (four corners each, px) of things found lying on the frame.
    """
    s = settings or FindSettings()
    flat = flatten(photo, camera)
    marks = spot(flat)
    outlines = np.array([camera.to_mm(np.asarray(o, float)[:4]) for o in outlines_px]).reshape(-1, 4, 2)
    free = ~inside_any(marks.xy_mm, outlines, margin_mm=-1.0)
    lines, used = best_lines(marks, free, outlines, s)
    if not lines:
        return None
    if lines[0].closed and _second_seat(marks, free, lines[0], outlines, s):
        raise UnfitPhoto(
            "There are two seats in the picture.", "Photograph one seat at a time, or cover the other one."
        )
    return _look_again(flat, camera, marks, used, lines, outlines, s)


def best_lines(
    marks: Candidates, free: NDArray[np.bool_], outlines: Array, s: FindSettings
) -> tuple[list[HoleLine], NDArray[np.int64]]:
    """The best closed line over all likely steps, or else separate rows; and which marks (indices) were used."""
    usual = usual_rim(marks.rim[free])
    used = np.nonzero(free & (marks.rim > s.weak_share * usual))[0][: s.n_marks]
    xy, weight = marks.xy_mm[used], weights_of(marks.rim[free], marks.rim[used])
    steps = likely_steps_mm(xy[: s.n_voters], weight[: s.n_voters])
    field = field_marks(xy, steps)
    if field.any():
        used, xy, weight = used[~field], xy[~field], weight[~field]
        steps = likely_steps_mm(xy[: s.n_voters], weight[: s.n_voters])
    rings = [trace_ring(xy, weight, step, covered=outlines) for step in steps]
    good = [line for line in rings if line is not None and _is_seat(line, used, marks.rim, free, s)]
    if good:
        return [max(good, key=lambda line: line.gain)], used
    clear = marks.rim[used] > max(s.row_share * usual, s.least_row_rim)
    rows: list[HoleLine] = []
    for step in steps:
        tried = trace_rows(xy, weight, step, start=clear)
        # Long rows count for more than many short ones, which any scatter of marks holds.
        if _in_long_rows(tried) > _in_long_rows(rows):
            rows = tried
    return rows, used


def _in_long_rows(rows: Sequence[HoleLine]) -> int:
    return sum(int((r.index >= 0).sum()) ** 2 for r in rows)


def _second_seat(marks: Candidates, free: NDArray[np.bool_], line: HoleLine, outlines: Array, s: FindSettings) -> bool:
    """Whether the marks away from the line make another seat's line."""
    away = np.hypot(*(marks.xy_mm[:, None] - line.xy_mm[None]).transpose(2, 0, 1)).min(axis=1) > 1.5 * line.step_mm
    rest = free & away
    usual = usual_rim(marks.rim[free])
    if (marks.rim[rest] > s.row_share * usual).sum() < s.least_second:
        return False
    others, used = best_lines(replace(marks, rim=np.where(rest, marks.rim, 0.0)), rest, outlines, s)
    if not others or not others[0].closed or (others[0].index >= 0).sum() < s.least_second:
        return False
    on = used[others[0].index[others[0].index >= 0]]
    return float(np.median(marks.rim[on])) > s.row_share * usual


def _is_seat(line: HoleLine, used: NDArray[np.int64], rim: Array, free: NDArray[np.bool_], s: FindSettings) -> bool:
    """Whether a closed line is a seat's: enough of it seen, an opening inside, even, and of the clearest marks.

    A line can be laid through any scatter of marks; one of holes earns far more per slot than it pays, and
    its marks outdo nearly all others in the picture. ``rim`` (n,) is the evidence of all marks, ``used`` says which
    of them the line chose among, ``free`` which are not covered.
    """
    seen = line.index >= 0
    own = used[line.index[seen]]
    others = rim[np.setdiff1d(np.nonzero(free)[0], own)]
    outdone = float((rim[own][:, None] > others[None]).mean()) if len(others) else 1.0
    gain = line.gain / len(seen)
    if gain < s.least_gain or outdone < (s.least_outdone if gain < s.clear_gain else s.least_outdone_clear):
        return False
    across = [
        float(np.ptp(line.xy_mm @ np.array([np.cos(a), np.sin(a)]))) for a in np.linspace(0, np.pi, 12, endpoint=False)
    ]
    return (
        int(seen.sum()) >= s.least_seen
        and float(seen.mean()) >= s.least_seen_share
        and min(across) >= s.least_across_steps * line.step_mm
    )


def _look_again(
    flat: FlatPicture,
    camera: Camera,
    marks: Candidates,
    used: NDArray[np.int64],
    lines: Sequence[HoleLine],
    outlines: Array,
    s: FindSettings,
) -> Found:
    """Fill empty slots that show a rim after all; the rest stay hidden."""
    if not lines[0].closed:
        lines = [_with_end_slots(line) for line in lines]
    xy = np.vstack([line.xy_mm for line in lines])
    index = np.concatenate([line.index for line in lines])
    step_mm = lines[0].step_mm
    seen = index >= 0
    on_line = used[index[seen]]
    usual = float(np.median(marks.rim[on_line]))
    radius = float(np.median(marks.radius_mm[on_line]))
    covered = inside_any(xy, outlines)
    filled_in = np.zeros(len(xy), bool)
    reach = s.reach_share * step_mm
    shifts = np.array([(dx, dy) for dx in np.linspace(-reach, reach, 7) for dy in np.linspace(-reach, reach, 7)])
    own = xy[seen]
    for k in np.nonzero(~seen & ~covered)[0]:
        if not lines[0].closed and np.hypot(*(own - xy[k]).T).min() < 0.5 * step_mm:
            continue  # Another row's hole, at a corner both run to.
        rim, _ = rim_evidence(flat, xy[k] + shifts)
        best = int(rim.argmax())
        # A closed line has a hole in every slot unless the gauge finds none there; an open row ends somewhere.
        if rim[best] > s.again_share * usual:
            xy[k] = xy[k] + shifts[best]
            filled_in[k] = True
        elif lines[0].closed:
            filled_in[k] = True
    if not lines[0].closed:
        # An open row ends where nothing more is seen: empty slots at its ends are none.
        kept = seen | filled_in
        rows = tuple(int(kept[a:b].sum()) for a, b in _spans(lines))
        xy, seen, filled_in, covered = xy[kept], seen[kept], filled_in[kept], covered[kept]
    else:
        rows = tuple(len(line.index) for line in lines)
    stray = np.setdiff1d(np.nonzero(marks.rim > s.stray_share * usual)[0], on_line)
    near = [
        i
        for i in stray
        if np.hypot(*(xy - marks.xy_mm[i]).T).min() < 1.2 * step_mm
        and not inside_any(marks.xy_mm[i][None], outlines, 1.0)[0]
    ]
    return Found(
        xy_px=camera.to_px(xy),
        hidden=~seen & ~filled_in,
        # An empty slot is good to about a radius: one whose centre is no further from an outline may be under it.
        covered=(_share_free(xy, radius + _RADIUS_BIAS_MM, outlines) < s.least_free_share)
        | inside_any(xy, outlines, radius + _RADIUS_BIAS_MM),
        filled_in=filled_in,
        by_hand=(None,) * len(xy),
        closed=lines[0].closed,
        rows=rows,
        step_mm=step_mm,
        rough_diameter_mm=2 * (radius + _RADIUS_BIAS_MM),
        strays_px=camera.to_px(marks.xy_mm[near]) if near else np.zeros((0, 2)),
        gain=sum(line.gain for line in lines) / len(xy),
    )


def _share_free(xy_mm: Array, radius_mm: float, outlines: Array) -> Array:
    """Share (n,) of the circles round places (n, 2) that lies outside all outlines (k, 4, 2)."""
    if not len(outlines):
        return np.ones(len(xy_mm))
    angle = np.arange(24) * 2 * np.pi / 24
    rim = xy_mm[:, None] + radius_mm * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    return np.asarray(1 - inside_any(rim.reshape(-1, 2), outlines).reshape(len(xy_mm), -1).mean(axis=1))


def _with_end_slots(line: HoleLine) -> HoleLine:
    """An open row with one empty slot more at either end, where the next hole would be."""
    n = min(4, len(line.xy_mm) - 1)
    before = line.xy_mm[0] - (line.xy_mm[n] - line.xy_mm[0]) / n
    after = line.xy_mm[-1] + (line.xy_mm[-1] - line.xy_mm[-1 - n]) / n
    return replace(line, index=np.array([-1, *line.index, -1]), xy_mm=np.vstack([before, line.xy_mm, after]))


def _spans(lines: Sequence[HoleLine]) -> list[tuple[int, int]]:
    """First and last-plus-one place of each line among all slots."""
    ends = np.cumsum([len(line.index) for line in lines])
    return [(int(e) - len(line.index), int(e)) for e, line in zip(ends, lines, strict=True)]


_RADIUS_BIAS_MM = 0.4
"""The steepest drop over 1.5 mm lies this far inside the bore, give or take 0.3 (sample set, 2026-11)."""
