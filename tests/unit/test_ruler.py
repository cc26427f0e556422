"""Parts of the ruler reader, each against what it must give."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from drawn_rulers import FINE, Face, View, on_face, photo_of, see
from scipy.optimize import nnls

from holecount.photo import Photo
from holecount.scale import strokes
from holecount.scale.graduations import GraduationSettings, is_halved, read_graduation, seen_stretch
from holecount.scale.lattice import LatticeSettings, PeriodMap, fit_period_map, follow_strip, rate_strip
from holecount.scale.ruler import RulerSettings, find_rulers
from holecount.scale.ruler_edge import EdgeSettings, read_edge, read_straightened
from holecount.scale.ruler_opposite import opposite_ruling
from holecount.scale.strips import Strip, find_strips, reduce_grey, rotated_cut
from holecount.scale.strokes import rank_of_marks, unroll

MM = Face(edges=(("top", "mm", 10),))
VIEW = View(px_per_mm=6.0, turn_deg=21)


@pytest.fixture(scope="module")
def ruling():
    grey = see(MM, VIEW)
    strips = find_strips(grey)
    best = max(strips, key=lambda s: rate_strip(grey, s, LatticeSettings()))
    found = follow_strip(grey, best)
    assert found is not None
    return found


@pytest.mark.parametrize("c", [-0.3, 0.0, 0.2])
@pytest.mark.parametrize("p3", [0.0, 0.4])
def test_period_map_there_and_back(c, p3):
    period_map = PeriodMap(x0=500.0, reach=400.0, p0=3.0, p1=60.0, c=c, p3=p3)
    x = np.linspace(100, 900, 50)
    assert period_map.place(period_map.periods(x)) == pytest.approx(x, abs=1e-6)
    slope = (period_map.periods(x + 1e-3) - period_map.periods(x - 1e-3)) / 2e-3
    assert period_map.rate(x) == pytest.approx(slope, rel=1e-6)


def test_fit_period_map_through_perspective_with_bad_windows():
    true = PeriodMap(x0=512.0, reach=480.0, p0=0.3, p1=95.0, c=-0.17)
    rng = np.random.default_rng(2)
    x = np.linspace(40, 990, 30)
    u = true.periods(x) + rng.normal(0, 0.004, 30)
    u[[7, 19]] += (0.4, -0.3)
    fitted = fit_period_map(x, u, np.ones(30), 512.0, 480.0, cubic=False)
    assert fitted.periods(x) == pytest.approx(true.periods(x), abs=0.01)


def test_fit_period_map_bends_for_distortion():
    true = PeriodMap(x0=0.0, reach=500.0, p0=0.0, p1=80.0, c=0.1, p3=0.6)
    x = np.linspace(-500, 500, 40)
    fitted = fit_period_map(x, true.periods(x), np.ones(40), 0.0, 500.0, cubic=True)
    assert fitted.periods(x) == pytest.approx(true.periods(x), abs=0.02)


def test_ranks_of_marks():
    assert list(rank_of_marks("mm", 10)) == [0, 2, 2, 2, 2, 1, 2, 2, 2, 2]
    assert list(rank_of_marks("mm", 20)[:6]) == [0, 3, 2, 3, 2, 3]
    assert list(rank_of_marks("inch", 8)) == [0, 3, 2, 3, 1, 3, 2, 3]
    counts = np.bincount(rank_of_marks("inch", 32))
    assert list(counts) == [1, 1, 2, 4, 8, 16]


def test_contrasts_that_are_not_negative_against_scipy():
    rng = np.random.default_rng(5)
    lines = rng.normal(0, 1, (40, 4)) + np.eye(40, 4) * 8
    data = rng.normal(0, 1, (25, 40)) + rng.normal(0, 2, (25, 4)) @ lines.T
    contrast, explained = strokes._not_negative(data @ lines, lines.T @ lines)
    for row, got, power in zip(data, contrast, explained, strict=True):
        wanted, left = nnls(lines, row)
        assert got == pytest.approx(wanted, abs=1e-3)
        assert power == pytest.approx(float(row @ row) - left**2, rel=1e-3, abs=1e-3)


def test_reduced_by_a_whole_factor():
    grey = np.zeros((1505, 2011), np.uint8)
    reduced, factor = reduce_grey(grey, 1000)
    assert factor == 2
    assert reduced.shape == (752, 1005)
    assert reduce_grey(grey, 3000)[1] == 1


def test_cut_lies_along_its_line():
    y, x = np.mgrid[0:400, 0:500]
    grey = (x * 0.3 + y * 0.2).astype(np.uint8)
    cut = rotated_cut(grey, np.array([250.0, 200.0]), np.arctan2(0.2, 0.3) + np.pi / 2, 60, 60, 20)
    assert cut.shape == (41, 121)
    # Brightness falls square to the cut: it is the same all along the middle row.
    assert np.ptp(cut[20].astype(int)) <= 1
    assert cut[20, 60] == grey[200, 250]


@pytest.mark.parametrize("turn_deg", [0, 33, 90, 160])
def test_strips_lie_on_the_strokes(turn_deg):
    view = View(size=(1000, 1000), px_per_mm=5.5, turn_deg=turn_deg, tilt_deg=20, tilt_way_deg=60)
    best = find_strips(see(MM, view))[0]
    place = on_face(MM, view, best.centre_px[None])[0]
    assert -1 < place[1] < 9
    ends = np.array([[40.0, 2.0], [120.0, 2.0]])
    q = np.column_stack([ends, np.ones(2)]) @ view.homography(MM).T
    along = np.diff(q[:, :2] / q[:, 2:], axis=0)[0]
    turn = np.arctan2(along[1], along[0]) - best.direction_rad
    assert abs(np.degrees((turn + np.pi / 2) % np.pi - np.pi / 2)) < 1.5


def test_graduation_has_the_drawn_lengths(ruling):
    read = read_graduation(ruling, 1200)
    band, g = read.band, read.reading
    assert band is not None
    assert g is not None
    assert (g.system, g.long_mm, g.sound) == ("mm", 10.0, True)
    assert g.px_per_mm == pytest.approx(6.0, rel=0.01)
    lengths = [(r.last_row - r.first_row + 1) / g.px_per_mm for r in g.ranks]
    assert lengths == pytest.approx([7.5, 5.5, 3.5], abs=0.5)
    first, last = seen_stretch(band, g)
    assert (last - first) / g.periods * 10 == pytest.approx(150, abs=1.5)


def test_graduation_keeps_to_the_system_asked_for(ruling):
    assert read_graduation(ruling, 1200, system="inch").reading is None
    assert read_graduation(ruling, 1200, system="mm").reading is not None


@pytest.mark.parametrize("lean", [-0.6, 0.6])
def test_strokes_that_lean_are_straightened_and_read(ruling, lean):
    """Marks mixed by a wrong lean cannot be read; what repeats in them sets them upright."""
    leaning = replace(ruling, shear=ruling.shear + np.array([lean, 0.0]))
    picture, settings = photo_of(see(MM, VIEW)), EdgeSettings()
    attempt = read_graduation(leaning, 1200)
    assert attempt.reading is None
    assert attempt.guess is not None
    edge = read_straightened(picture, leaning, attempt, None, settings)
    assert edge is not None
    assert edge.graduation.system == "mm"
    along = on_face(MM, VIEW, edge.points_px)[:, 0]
    assert abs(np.polyfit(edge.along_mm, along, 1)[0]) == pytest.approx(1.0, abs=1e-3)
    # Not when straight strokes would have to begin more alike than they can.
    strict = EdgeSettings(straight_start_px=-1.0)
    assert read_straightened(picture, leaning, attempt, None, strict) is None


def test_halves_taken_for_inches_are_noticed():
    """Where halves are much shorter than inches, a pattern of twice their distance explains clearly more."""
    face = Face(length_mm=152.4, edges=(("top", "inch", 8),), figures=False)
    view = View(px_per_mm=5.0, turn_deg=8, noise=3.0)
    drawn = face.picture()
    for k in range(6):
        half = round((face.zero_mm + 12.7 + 25.4 * k) * FINE)
        drawn[round(6.2 * FINE) :, half - FINE : half + FINE] = face.grey
    grey = see(face, view, drawn)
    strip = Strip(centre_px=on_picture(face, view, 80.0, 1.5), direction_rad=np.radians(8.0), score=0.0)
    followed = follow_strip(grey, strip)
    assert followed is not None
    edge = read_edge(photo_of(grey), followed, None, EdgeSettings())
    assert edge is not None
    g = edge.graduation
    assert not is_halved(edge.ruling, g, GraduationSettings())
    halves = replace(g, periods=g.periods // 2, px_per_mm=g.px_per_mm / 2, ranks=g.ranks[1:])
    assert is_halved(edge.ruling, halves, GraduationSettings())


@pytest.mark.parametrize(("bottom", "period_mm"), [(("bottom", "mm", 10), 1.0), (("bottom", "inch", 8), 25.4 / 8)])
def test_strokes_opposite_an_edge(bottom, period_mm):
    """The first edge's geometry alone leads to the second one's strokes; where there are none, to nothing."""
    view = View(px_per_mm=5.0, turn_deg=8, tilt_deg=25, tilt_way_deg=70)
    for width_mm in (19.0, 30.0):
        face = Face(width_mm=width_mm, length_mm=152.4, edges=(("top", "inch", 16), bottom))
        grey = see(face, view)
        strip = Strip(centre_px=on_picture(face, view, 80.0, 1.5), direction_rad=np.radians(8.0), score=0.0)
        followed = follow_strip(grey, strip)
        assert followed is not None
        edge = read_edge(photo_of(grey), followed, None, EdgeSettings())
        assert edge is not None
        found = opposite_ruling(grey, edge)
        assert found is not None
        at = np.linspace(found.first_column + 30, found.last_column - 30, 40)
        place = on_face(face, view, found.to_px(at, np.polyval(found.line, at)))
        assert np.all(width_mm - place[:, 1] < 5.0)
        assert np.all(place[:, 1] < width_mm)
        assert abs(np.polyfit(found.map.periods(at), place[:, 0], 1)[0]) == pytest.approx(period_mm, rel=0.005)
        plain = see(replace(face, edges=face.edges[:1]), view)
        assert opposite_ruling(plain, edge) is None


def on_picture(face, view, along_mm, down_mm):
    """Where a place on a face is seen."""
    q = view.homography(face) @ np.array([along_mm, down_mm, 1.0])
    return q[:2] / q[2]


def test_unrolled_strokes_stand_upright(ruling):
    band = unroll(ruling, 30)
    near = band.fine[np.abs(band.rows) < 8]
    # A row looks like the rows above and below it without any shift.
    top, bottom = near[:4].mean(axis=0), near[-4:].mean(axis=0)
    match = [np.corrcoef(np.roll(top, k), bottom)[0, 1] for k in range(-3, 4)]
    assert int(np.argmax(match)) == 3


def test_find_rulers_keeps_to_the_system_asked_for():
    face = Face(width_mm=25, length_mm=203.2, edges=(("top", "inch", 16), ("bottom", "mm", 10)))
    picture = photo_of(see(face, View(size=(1400, 1000), px_per_mm=5.0)))
    assert {r.words for r in find_rulers(picture, system="mm")} == {"ruler, millimetres"}
    assert {r.words for r in find_rulers(picture, system="inch")} == {"ruler, inches"}


def test_reference_is_complete():
    (found,) = find_rulers(photo_of(see(MM, VIEW)))
    n = len(found.points_px)
    assert n >= 13
    assert found.points_px.shape == found.points_mm.shape == (n, 2)
    assert found.u_px.shape == found.row.shape == (n,)
    assert (found.points_mm[:, 1] == 0).all()
    assert (np.diff(found.points_mm[:, 0]) > 0).all()
    assert ((found.u_px > 0.01) & (found.u_px < 0.4)).all()
    assert found.outline_px.shape == (4, 2)
    # The outline holds the strokes: its first side runs along the edge where they start.
    edge = on_face(MM, VIEW, found.outline_px[:2])
    assert edge[:, 1] == pytest.approx([0, 0], abs=0.6)
    assert np.ptp(edge[:, 0]) > 130


@pytest.mark.parametrize(
    ("paint", "thickness", "grey"),
    [((1.0, 1.0, 1.0), (0.4, 1.4), 170), ((0.45, 0.8, 1.0), (2.2, 3.8), 200), ((1.0, 1.0, 1.0), (0.7, 3.3), 254)],
)
def test_thickness_is_told_by_the_colour_of_the_face(paint, thickness, grey):
    """Grey is steel or so, warm is wood or plastic, and a washed-out face could be anything."""
    bgr = see(Face(edges=(("top", "mm", 10),), grey=grey), VIEW)[..., None] * np.array(paint)
    picture = Photo(path=Path("x.png"), sha256="", bgr=np.clip(bgr, 0, 255).astype(np.uint8))
    (found,) = find_rulers(picture)
    assert found.height_mm - found.u_height_mm == pytest.approx(thickness[0], abs=0.15)
    assert found.height_mm + found.u_height_mm == pytest.approx(thickness[1], abs=0.15)


def test_same_picture_same_answer():
    picture = photo_of(see(MM, VIEW))
    first, again = find_rulers(picture), find_rulers(picture)
    assert np.array_equal(first[0].points_px, again[0].points_px)


@pytest.mark.parametrize("shape", [(1, 1), (12, 700), (64, 64), (300, 90), (500, 640)])
@pytest.mark.parametrize("filling", ["black", "white", "noise", "bars"])
def test_nothing_in_odd_pictures(shape, filling):
    rng = np.random.default_rng(0)
    grey = {
        "black": np.zeros(shape),
        "white": np.full(shape, 255.0),
        "noise": rng.uniform(0, 255, shape),
        "bars": np.tile((np.arange(shape[1]) % 9 < 4) * 180.0, (shape[0], 1)),
    }[filling]
    assert find_rulers(photo_of(grey.astype(np.uint8))) == []


def test_settings_cannot_be_changed_by_accident():
    with pytest.raises(AttributeError):
        RulerSettings().max_followed = 3  # type: ignore[misc]


def test_turned_picture_gives_the_same_scale():
    grey = see(MM, VIEW)
    (plain,) = find_rulers(photo_of(grey))
    (turned,) = find_rulers(photo_of(cv2.rotate(grey, cv2.ROTATE_90_CLOCKWISE)))

    def px_per_mm(r):
        ends = r.points_px[[0, -1]]
        return np.hypot(*(ends[1] - ends[0])) / np.ptp(r.points_mm[:, 0])

    assert px_per_mm(plain) == pytest.approx(px_per_mm(turned), rel=5e-4)
