"""What makes the verdict `check`, and what is only a remark."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from made_measurement import plain

from holecount.holes.find import Found
from holecount.holes.gauge import RimReading
from holecount.judge import Evidence, JudgeSettings, doubts_of, remarks_of, verdict_of
from holecount.measurement import Measurement


class Plane:
    """As much of a plane fit as the verdict asks for."""

    misfit = (1.0,)
    camera = SimpleNamespace(tilt_deg=8.0)
    model = SimpleNamespace(references=(SimpleNamespace(kind="ruler", by_hand=False, constraints=None),))


@pytest.fixture
def good() -> Measurement:
    """A seat with nothing to say against it."""
    m = plain()
    holes = tuple(replace(h, status="open", doubts=()) for h in m.holes)
    pitch, diameter = m.seat.pitch, m.seat.diameter
    assert pitch is not None
    assert diameter is not None
    seat = replace(
        m.seat,
        n_holes=len(holes),
        n_blocked=0,
        n_hidden=0,
        pitch=replace(pitch, u_own_mean_mm=0.0, u_shared_mean_mm=0.002 * pitch.mean_mm),
        diameter=replace(diameter, u_own_mean_mm=0.0, u_shared_mean_mm=0.05),
    )
    return replace(m, holes=holes, seat=seat)


def rim(**given: object) -> RimReading:
    usual = dict(
        x_px=100.0, y_px=100.0, x_mm=0.0, y_mm=0.0, rim_px=np.zeros((32, 2)), rim_weight=np.ones(32), diameter_mm=5.0,
        u_own_diameter_mm=0.05, u_shared_diameter_mm=0.05, u_own_centre_mm=0.02, rounding_mm=0.3, arc_seen_frac=1.0,
        out_of_round_mm=0.02, blur_px=0.7, saturated_frac=0.0, blocked_score=0.0, hole_score=0.99,
    )  # fmt: skip
    return RimReading(**{**usual, **given})


def evidence(n: int, *, hidden: int = 0, covered: bool = False, closed: bool = True, beside: int = 0) -> Evidence:
    """Of n slots, the first so many hidden."""
    unseen = np.arange(n) < hidden
    found = Found(
        xy_px=np.zeros((n, 2)), hidden=unseen, covered=unseen & covered, filled_in=np.zeros(n, bool),
        by_hand=(None,) * n, closed=closed, rows=(n,), step_mm=13.0, rough_diameter_mm=5.0,
        strays_px=np.zeros((0, 2)), gain=2.0,
    )  # fmt: skip
    no = np.zeros(n, bool)
    return Evidence(
        readings={}, found=found, blocked=no, measurable=~no, view_deg=np.zeros(n), radius_px=np.full(n, 10.0),
        u_local_rel=np.zeros(n), odd_size=no, odd_place=no, settings=JudgeSettings(), beside=(rim(),) * beside,
    )  # fmt: skip


def judged(m: Measurement, e: Evidence, **more: object) -> tuple[str, str, str]:
    verdict, reasons = verdict_of(e, m.holes, m.seat, Plane(), **more)
    assert (verdict == "check") == bool(reasons)
    return verdict, " ".join(reasons), " ".join(remarks_of(e, m.holes, m.seat))


def test_nothing_to_say(good: Measurement) -> None:
    assert judged(good, evidence(len(good.holes))) == ("good", "", "")


def test_holes_under_the_card_are_a_remark_and_a_gap_that_nothing_covers_is_a_reason(good: Measurement) -> None:
    n = len(good.holes)
    verdict, _, remarks = judged(good, evidence(n, hidden=3, covered=True))
    assert verdict == "good"
    assert "Under the card or ruler: about 3 holes" in remarks
    verdict, reasons, remarks = judged(good, evidence(n, hidden=3))
    assert verdict == "check"
    assert "3 holes that" in reasons
    assert not remarks


def test_when_too_much_is_hidden_their_number_is_a_guess(good: Measurement) -> None:
    n = len(good.holes)
    few, many = n // 5, n // 3
    for k, wanted in ((few, "good"), (many, "check")):
        holes = tuple(replace(h, status="hidden") if i < k else h for i, h in enumerate(good.holes))
        assert judged(replace(good, holes=holes), evidence(n, hidden=k, covered=True))[0] == wanted


def test_packed_holes_and_a_steep_view_are_remarks(good: Measurement) -> None:
    steep = replace(
        good,
        holes=tuple(replace(h, doubts=("edge-on", "part-hidden", "glare")) for h in good.holes),
        seat=replace(good.seat, n_blocked=4),
    )
    verdict, _, remarks = judged(steep, evidence(len(good.holes)))
    assert verdict == "good"
    assert "Packed with old cane and not gauged: 4 holes" in remarks
    assert "steep angle" in remarks


@pytest.mark.parametrize("flag", ["small", "blurred"])
def test_rims_too_small_or_blurred_are_told_when_they_are_many(good: Measurement, flag: str) -> None:
    n = len(good.holes)
    for share, told in ((0.2, False), (0.3, True)):
        holes = tuple(replace(h, doubts=(flag,) if i < share * n else ()) for i, h in enumerate(good.holes))
        verdict, _, remarks = judged(replace(good, holes=holes), evidence(n))
        assert verdict == "good"  # what it costs is in the bores' uncertainty, and that decides
        assert ("seen badly" in remarks) == told


def test_more_holes_beside_the_row_and_a_row_that_does_not_close(good: Measurement) -> None:
    n = len(good.holes)
    verdict, reasons, _ = judged(good, evidence(n, beside=2))
    assert verdict == "check"
    assert "2 more holes" in reasons
    verdict, reasons, _ = judged(good, evidence(n, closed=False))
    assert verdict == "check"
    assert "do not close" in reasons


@pytest.mark.parametrize("times", [0.5, 2.0])
def test_a_ruler_read_at_half_or_twice_its_size_shows_in_holes_no_chart_has(good: Measurement, times: float) -> None:
    pitch, diameter = good.seat.pitch, good.seat.diameter
    assert pitch is not None
    assert diameter is not None
    seat = replace(
        good.seat,
        pitch=replace(pitch, mean_mm=times * pitch.mean_mm),
        diameter=replace(diameter, mean_mm=times * diameter.mean_mm),
    )
    verdict, reasons, _ = judged(replace(good, seat=seat), evidence(len(good.holes)))
    assert verdict == "check"
    assert "not usual in a cane seat" in reasons


def test_scale_and_bore_known_too_badly(good: Measurement) -> None:
    s, e = JudgeSettings(), evidence(len(good.holes))
    pitch, diameter = good.seat.pitch, good.seat.diameter
    assert pitch is not None
    assert diameter is not None
    loose = replace(pitch, u_shared_mean_mm=1.1 * s.u_pitch_rel * pitch.mean_mm)
    assert "scale" in judged(replace(good, seat=replace(good.seat, pitch=loose)), e)[1]
    loose = replace(diameter, u_shared_mean_mm=1.1 * s.u_diameter_mm)
    assert "drill bit" in judged(replace(good, seat=replace(good.seat, diameter=loose)), e)[1]
    assert "gauged" in judged(replace(good, seat=replace(good.seat, diameter=None)), e)[1]
    verdict, reasons = verdict_of(e, good.holes, good.seat, None)
    assert verdict == "check"
    assert "pixels" in reasons[0]


@pytest.mark.parametrize(("by_hand", "misfit", "said"), [
    (False, 3.9, ""), (False, 4.1, "do not agree"), (True, 1.7, ""), (True, 1.9, "placed by hand"), (True, 9, "placed"),
])  # fmt: skip
def test_a_misfit_of_what_a_hand_placed_counts_sooner(
    good: Measurement, by_hand: bool, misfit: float, said: str
) -> None:
    class Placed(Plane):
        model = SimpleNamespace(references=(SimpleNamespace(kind="rectangle", by_hand=by_hand, constraints=None),))

    Placed.misfit = (misfit,)
    verdict, reasons = verdict_of(evidence(len(good.holes)), good.holes, good.seat, Placed())
    assert verdict == ("check" if said else "good")
    assert said in " ".join(reasons)


@pytest.mark.parametrize(("constraints", "wanted"), [(None, "good"), (np.ones((6, 8)), "check")])
def test_a_lone_card_of_three_sides_is_less_sure(good: Measurement, constraints: object, wanted: str) -> None:
    card = SimpleNamespace(kind="card", by_hand=False, constraints=constraints)

    class OnACard(Plane):
        model = SimpleNamespace(references=(card,))

    verdict, reasons = verdict_of(evidence(len(good.holes)), good.holes, good.seat, OnACard())
    assert verdict == wanted
    assert ("One side of the card is not seen" in " ".join(reasons)) == (wanted == "check")


@pytest.mark.parametrize(("times", "wanted"), [(1.15, "good"), (1.4, "check"), (0.6, "check")])
def test_a_hole_of_quite_another_size_may_be_none(good: Measurement, times: float, wanted: str) -> None:
    holes = tuple(
        replace(h, doubts=("odd-size",), diameter_mm=times * (h.diameter_mm or 0)) if h.number == 7 else h
        for h in good.holes
    )
    verdict, reasons, _ = judged(replace(good, holes=holes), evidence(len(good.holes)))
    assert verdict == wanted
    assert ("another size than the rest: hole 7." in reasons) == (wanted == "check")


def test_a_hole_looked_for_is_doubted_only_where_it_does_not_look_like_one(good: Measurement) -> None:
    e = evidence(len(good.holes))
    found = replace(e.found, filled_in=np.ones(len(good.holes), bool))
    sure, unsure, by_hand = (
        replace(e, found=f, readings={0: rim(hole_score=score)})
        for f, score in ((found, 0.95), (found, 0.35), (replace(found, by_hand=("open",) * len(good.holes)), 0.35))
    )
    assert "filled-in" not in doubts_of(sure, 0)
    assert "filled-in" in doubts_of(unsure, 0)
    assert "filled-in" not in doubts_of(by_hand, 0)
    holes = tuple(replace(h, doubts=("filled-in",)) if h.number == 7 else h for h in good.holes)
    verdict, reasons, _ = judged(replace(good, holes=holes), e)
    assert verdict == "check"
    assert "expect them: hole 7." in reasons
