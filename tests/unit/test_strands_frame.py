"""The frame a plan is made on: corners by geometry, front and turn, rings, what is refused."""

from collections.abc import Sequence
from dataclasses import replace

import made_measurement as made
import numpy as np
import pytest

from holecount.measurement import Measurement
from holecount.strands import Frame, from_counts, from_measurement, from_ring
from holecount.troubles import BadInput


def seat(
    frame: Frame, *, flagged: Sequence[int] = (), rails: Sequence[str] = (), shape: str | None = None
) -> Measurement:
    """A measurement of a frame's holes, in its order; corner flags and rail names as asked."""
    holes = [
        made.hole(number, rails[k] if rails else "ring", float(x), float(y), corner=number in flagged)
        for k, (number, (x, y)) in enumerate(zip(frame.numbers, frame.xy_mm, strict=True))
    ]
    return replace(made.measurement_of(holes), shape=shape or frame.shape)


def moved(m: Measurement, turn_deg: float = 0.0, shift: int = 0, *, backwards: bool = False) -> Measurement:
    """The same seat in another turn, origin, first hole and direction; numbers stay with their holes."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    holes = [replace(h, x_mm=c * h.x_mm - s * h.y_mm + 40, y_mm=s * h.x_mm + c * h.y_mm - 70) for h in m.holes]
    holes = holes[shift:] + holes[:shift]
    return replace(m, holes=tuple(holes[::-1] if backwards else holes))


def named_rails(frame: Frame) -> list[str]:
    assert frame.corners is not None
    a, b, c, d = frame.corners
    return [
        "front" if a <= k < b else "right" if b <= k < c else "back" if c <= k < d else "left" for k in range(frame.n)
    ]


TAPERED = from_counts(20, 15, 17, 17, pitch_mm=15.0)
CORNERS = (1, 20, 36, 50)


@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize(("turn_deg", "shift"), [(0, 0), (10, 5), (95, 30), (180, 64), (271, 12)])
def test_named_rails_settle_the_front_in_any_turn_and_order(turn_deg: float, shift: int, backwards: bool) -> None:
    m = moved(seat(TAPERED, flagged=CORNERS, rails=named_rails(TAPERED)), turn_deg, shift, backwards=backwards)
    frame = from_measurement(m)
    assert frame.numbers == TAPERED.numbers
    assert frame.corners == TAPERED.corners
    assert frame.xy_mm == pytest.approx(TAPERED.xy_mm, abs=1e-6)


@pytest.mark.parametrize("backwards", [False, True])
def test_without_names_the_front_is_the_lowest_side(backwards: bool) -> None:
    frame = from_measurement(moved(seat(TAPERED), 25, 7, backwards=backwards))
    assert frame.numbers == TAPERED.numbers
    assert frame.corners == TAPERED.corners


@pytest.mark.parametrize("flagged", [(), (2, 19, 37, 49), (1, 20), (5, 9, 13, 17)])
def test_corners_come_from_the_holes_when_flags_are_missing_or_wrong(flagged: tuple[int, ...]) -> None:
    assert from_measurement(seat(TAPERED, flagged=flagged)).corners == TAPERED.corners


def test_corners_are_found_in_spite_of_uneven_boring() -> None:
    rng = np.random.default_rng(5)
    for _ in range(20):
        bored = replace(TAPERED, xy_mm=TAPERED.xy_mm + rng.normal(0, 1.0, TAPERED.xy_mm.shape))
        assert from_measurement(seat(bored)).corners == TAPERED.corners


def test_a_hole_on_a_rounded_corner_is_the_corner() -> None:
    """The corner hole drawn in by a third of the pitch along the bisector, as on a frame with rounded corners."""
    xy = TAPERED.xy_mm.copy()
    for k in (0, 19, 35, 49):
        inward = -xy[k] / np.hypot(*xy[k])
        xy[k] += inward * 5.0
    assert from_measurement(seat(replace(TAPERED, xy_mm=xy))).corners == TAPERED.corners


def test_flags_one_off_on_one_side_do_not_make_unequal_sides() -> None:
    frame = from_measurement(seat(TAPERED, flagged=(1, 21, 36, 50)))
    assert frame.corners == TAPERED.corners


def test_corners_without_holes_are_gaps() -> None:
    """A frame whose corners are not bored: the rails' holes stop one pitch short of where they would meet."""
    keep = [k for k in range(TAPERED.n) if k not in (0, 19, 35, 49)]
    bare = replace(
        TAPERED,
        numbers=tuple(range(1, len(keep) + 1)),
        xy_mm=TAPERED.xy_mm[keep],
        status=("open",) * len(keep),
        corners=None,
    )
    frame = from_measurement(seat(bare, shape="tapered"))
    assert frame.corners is not None
    assert all(c % 1 == 0.5 for c in frame.corners)
    assert frame.reflection is not None


def test_corner_holes_may_be_given() -> None:
    frame = from_measurement(seat(TAPERED), corner_holes=(2, 19, 36, 50))
    assert frame.corners is not None
    assert sorted(frame.numbers[int(c)] for c in frame.corners) == [2, 19, 36, 50]
    with pytest.raises(BadInput, match="four different hole numbers"):
        from_measurement(seat(TAPERED), corner_holes=(1, 20, 36, 500))


def test_a_seat_alike_left_and_right_has_a_reflection() -> None:
    frame = from_measurement(seat(TAPERED))
    assert frame.reflection == 19
    assert frame.mirror_misfit < 1e-9
    even = frame.mirrored_xy_mm()
    other = (19 - np.arange(frame.n)) % frame.n
    assert even[other] == pytest.approx(even * [-1, 1] + [2 * even[:, 0].mean(), 0])


def test_a_wing_has_none() -> None:
    wing = from_counts(20, 12, 17, 17, pitch_mm=15.0, wing="left")
    assert wing.reflection is None
    assert from_counts(20, 20, 17, 16, pitch_mm=15.0).reflection is None


@pytest.mark.parametrize("holes", [47, 48, 64, 69])
def test_a_ring_turns_to_its_own_middle(holes: int) -> None:
    ring = from_ring(holes, across_mm=360.0, deep_mm=330.0)
    frame = from_measurement(moved(seat(ring), 20, 11, backwards=True))
    assert frame.corners is None
    assert frame.numbers[0] == 1
    assert np.abs(frame.xy_mm[0, 0]) < 0.01
    assert frame.xy_mm == pytest.approx(ring.xy_mm, abs=1e-3)
    assert frame.perimeter_mm == pytest.approx(1084, rel=0.002)  # Of the ellipse, by Ramanujan's formula 1084.5.


def test_without_millimetres_the_frame_says_so() -> None:
    assert not from_measurement(replace(seat(TAPERED), scale=None)).in_mm
    assert from_measurement(seat(TAPERED)).in_mm
    assert not from_counts(8, 8, 8, 8, pitch_mm=None).in_mm


def test_few_holes_open_lines_and_rows_are_refused() -> None:
    m = seat(TAPERED)
    with pytest.raises(BadInput, match="too few"):
        from_measurement(replace(m, holes=m.holes[:11]))
    with pytest.raises(BadInput, match="a rail is missing"):
        from_measurement(replace(m, holes=m.holes[:50]))
    with pytest.raises(BadInput, match="do not close"):
        from_measurement(replace(m, shape="rows"))
