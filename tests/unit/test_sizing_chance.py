"""Chances against simulation: errors drawn at random, the rules applied to each drawing, outcomes counted."""

import math
from dataclasses import replace

import numpy as np
import pytest
from made_measurement import measurement_of, square_seat

from holecount.sizing import RuleSettings, StrandSettings, choose, figures_from
from holecount.sizing.chance import at_least, normal_below, normal_points, u_small_hole_mm
from holecount.sizing.chart import built_in
from holecount.sizing.figures import Figures, Stretch
from holecount.sizing.ladder import Rung, ladder
from holecount.stats import Spread

RULES = RuleSettings()
N = 40_000


def spread(mean_mm: float, u_own_mm: float, u_shared_mm: float, sd_mm: float = 0.0) -> Spread:
    return Spread(
        n=40, mean_mm=mean_mm, sd_mm=sd_mm, p05_mm=mean_mm, p95_mm=mean_mm, min_mm=mean_mm, max_mm=mean_mm, min_at=(1,),
        max_at=(1,), u_own_mean_mm=u_own_mm, u_shared_mean_mm=u_shared_mm,
    )  # fmt: skip


def seat(pitch_mm: float, hole_mm: float, *, u_scale: float = 0.005, rails: tuple[float, ...] = ()) -> Figures:
    return Figures(
        origin="photo",
        shape="square",
        pitch=spread(pitch_mm, 0.05, u_scale * pitch_mm),
        hole=spread(hole_mm, 0.03, math.hypot(0.15, u_scale * hole_mm)),
        small_hole_mm=hole_mm,
        wide_hole_mm=hole_mm,
        stretches=tuple(
            Stretch(place=f"rail {k}", first_hole=1, last_hole=9, pitch_mm=p, u_own_mm=0.03)
            for k, p in enumerate(rails)
        ),
        u_scale_rel=u_scale,
        n_gauged=40,
    )


def rungs_for(figures: Figures, n_strands: int) -> tuple[Rung, ...]:
    return ladder(
        built_in("usual"), n_strands=n_strands, thickness_mm=None, hole_mm=figures.small_hole_mm, shape=figures.shape,
        rules=RULES, strands=StrandSettings(),
    )  # fmt: skip


def simulated(rungs: tuple[Rung, ...], f: Figures, rng: np.random.Generator) -> np.ndarray:
    """Share of drawings in which each rung or a wider one comes out, from single decisions drawn anew."""
    assert f.pitch is not None
    assert f.hole is not None
    assert f.small_hole_mm is not None
    counts = np.zeros(len(rungs))
    for _ in range(N):
        scale = 1 + f.u_scale_rel * rng.normal()
        pitch, u = f.pitch.mean_mm, f.pitch.u_own_mean_mm
        if f.stretches and rng.random() < 0.5:
            at = f.stretches[rng.integers(len(f.stretches))]
            pitch, u = at.pitch_mm, at.u_own_mm
        pitch = pitch * scale + u * rng.normal()
        hole = f.small_hole_mm * scale + math.hypot(f.hole.u_own_mean_mm, 0.15) * rng.normal()
        thick = rng.normal()
        upper = rng.random() < 0.5  # of rows printed alike, which is meant
        for k in reversed(range(len(rungs))):
            r = rungs[k]
            spacing = r.spacing_mm if upper else r.spacing_alike_mm
            if pitch >= spacing and hole >= max(r.hole_chart_mm, r.hole_strands_mm + thick * r.u_hole_strands_mm):
                counts[: k + 1] += 1
                break
    return counts / N


@pytest.mark.parametrize(
    ("figures", "n_strands"),
    [
        (seat(15.1, 4.4), 4),
        (seat(15.0, 6.0, rails=(14.8, 14.9, 15.3, 15.0)), 4),
        (seat(18.3, 5.7), 6),
        (seat(16.0, 4.5), 8),
        (seat(9.6, 3.2), 4),
    ],
)
def test_chances_are_those_of_a_simulation(figures: Figures, n_strands: int) -> None:
    rungs = rungs_for(figures, n_strands)
    reckoned = at_least(rungs, figures, RULES)
    counted = simulated(rungs, figures, np.random.default_rng(5))
    assert reckoned == pytest.approx(counted, abs=4 * 0.5 / math.sqrt(N) + 0.003)
    assert ((reckoned > 0.05) & (reckoned < 0.95)).any()  # the cases are open ones


def test_shared_error_moves_all_stretches_together_and_does_not_average_out() -> None:
    """A hundred like stretches are no surer than one: the scale is common to all."""
    one, many = seat(15.2, 6.0, rails=(15.2,)), seat(15.2, 6.0, rails=(15.2,) * 100)
    a, b = (at_least(rungs_for(f, 4), f, RULES) for f in (one, many))
    assert a == pytest.approx(b, abs=1e-9)
    assert 0.05 < a[4] < 0.99


def test_the_rail_that_differs_is_named() -> None:
    """The wording of the answer: two sizes with chances, and which rail makes the second."""
    holes = square_seat(side=20, pitch_mm=15.6)
    top = 10 * 15.6
    squeezed = [replace(h, y_mm=top - (top - h.y_mm) * 14.6 / 15.6) if h.rail == "left" else h for h in holes]
    made = choose(figures_from(measurement_of(squeezed)))
    assert made.choice is not None
    assert (made.choice.width_mm, made.choice.name) == (2.5, "fine")
    second = made.candidates[1]
    assert (second.width_mm, second.name) == (2.25, "fine-fine")
    assert 0.08 < second.chance < 0.2
    assert "left rail is closer than the rest" in second.why
    assert sum(c.chance for c in made.candidates) == pytest.approx(1, abs=0.01)


def test_near_even_says_what_to_measure() -> None:
    made = choose(seat(15.1, 6.5))
    assert made.choice is not None
    assert made.choice.width_mm == 2.25  # of two near even the smaller
    assert "151 mm" in made.to_decide.replace("150.8", "151") or "150.8 mm" in made.to_decide
    assert "10th" in made.to_decide
    by_hole = choose(replace(seat(20.0, 5.72, u_scale=0.0), small_holes=(4, 17)))
    assert "drill bit of 5.7 mm (just" in by_hole.to_decide
    assert "4, 17" in by_hole.to_decide


def test_normal_distribution() -> None:
    z = np.linspace(-6, 6, 401)
    true = np.array([0.5 * math.erfc(-v / math.sqrt(2)) for v in z])
    assert normal_below(z) == pytest.approx(true, abs=1e-7)
    assert normal_below(np.array([-np.inf, np.inf])) == pytest.approx([0.0, 1.0])
    points = normal_points(401)
    assert points.mean() == pytest.approx(0, abs=1e-12)
    assert points.std() == pytest.approx(1, abs=0.01)


def test_the_edge_of_a_spread_is_less_sure_than_its_mean() -> None:
    f = seat(16.0, 5.0)
    assert u_small_hole_mm(replace(f, small_hole_mm=4.7)) > u_small_hole_mm(f)


def test_nothing_goes_is_said() -> None:
    made = choose(seat(15.0, 1.9))
    assert made.choice is None
    assert made.chance_none > 0.9
    assert made.candidates == () or made.candidates[0].chance < 0.1
    assert any(r.code == "nothing-goes" for r in made.remarks)


def test_settings_that_cannot_be() -> None:
    from holecount.troubles import BadInput

    for bad in ({"strand_thickness_mm": 0.1}, {"fullest_hole": 0}, {"fullest_hole": 40}, {"shape": "star"}):
        with pytest.raises(BadInput):
            choose(seat(15.0, 5.0), **bad)  # type: ignore[arg-type]
    with pytest.raises(BadInput, match="neither a pitch nor a hole"):
        choose(Figures(origin="typed"))
