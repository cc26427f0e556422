"""Which things of known size lie on one plane: a box on the floor can look like a card from above."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations

from holecount.scale.fit import PlaneFit, fit_plane
from holecount.scale.plane_model import PlaneSettings
from holecount.scale.reference import Reference
from holecount.troubles import NoScale

MISFIT_WORTH_A_WORD = 3.0
MISFIT_DOUBTED = 4.0
MISFIT_LEFT_OUT = 5.0
"""Residuals of a reference on the plane, over their stated errors (`PlaneFit.misfit`), and what follows from there on.

Above the first, `holecount look` says that a card or ruler may not lie flat: three standard uncertainties, a word that
costs nothing. Above the second the measurement is to be checked. Above the third, things do not lie on one plane, and
the smaller group is left out. What is left out no longer counts for the second, so this one speaks of misfits between
the two, and of a thing that is all there is, which nothing can be left out for.

0.2 to 2.9 on the sample set where references belong together, 9 and more on drawn pictures where one lay on the floor
(2026-11); 5 lies between these, 4 between that and what belongs together (own choice).
"""

MISREAD_STROKES = (0.5, 2.0)
"""How far wrong a ruler is whose strokes were taken for the next kind up or down: halves for whole inches, fives for
tens (derived)."""


def fit_agreeing(
    references: Sequence[Reference],
    *,
    width_px: int,
    height_px: int,
    focal_px: float | None,
    settings: PlaneSettings | None = None,
) -> tuple[PlaneFit, tuple[Reference, ...], tuple[Reference, ...]]:
    """Fit the plane to the largest group of references that agree; among equals to the one that ranks first.

    A ruler that agrees with a card once its strokes are taken for half or twice as much is read so: a card leaves no
    choice of size.

    Parameters
    ----------
    references : best known first.

    Returns
    -------
    plane : PlaneFit
    used, left_out : tuples of Reference

    Raises
    ------
    NoScale
        Without references, or when none fits.
    """

    def fit(group: Sequence[Reference]) -> PlaneFit:
        return fit_plane(group, width_px=width_px, height_px=height_px, focal_px=focal_px, settings=settings)

    whole = fit(references)
    if len(references) == 1 or max(whole.misfit) <= MISFIT_LEFT_OUT:
        return whole, tuple(references), ()
    for group in _read_otherwise(references):
        tried = fit(group)
        if max(tried.misfit) <= MISFIT_LEFT_OUT:
            return tried, group, ()
    for size in range(len(references) - 1, 0, -1):
        for group in combinations(references, size):
            try:
                tried = fit(group)
            except NoScale:
                continue
            if size == 1 or max(tried.misfit) <= MISFIT_LEFT_OUT:
                return tried, group, tuple(r for r in references if not any(r is g for g in group))
    raise NoScale(
        "What looked like a card or ruler does not fit a flat frame.",
        "Lay a bank card or a ruler flat on the frame and photograph again from straight above.",
    )


def _read_otherwise(references: Sequence[Reference]) -> Iterator[tuple[Reference, ...]]:
    """All references with one ruler's strokes taken for half or twice as much; none where there are rulers alone."""
    if all(r.kind in ("ruler", "length") for r in references):
        return
    for k, ruler in enumerate(references):
        if ruler.kind != "ruler" or ruler.by_hand:
            continue
        for factor in MISREAD_STROKES:
            other = replace(
                ruler,
                points_mm=ruler.points_mm * factor,
                row_offset_mm=tuple(factor * v for v in ruler.row_offset_mm),
                u_row_offset_mm=tuple(factor * v for v in ruler.u_row_offset_mm),
                notes=(
                    *ruler.notes,
                    f"its strokes stand for {'half' if factor < 1 else 'twice'} of what they look like; "
                    "the card says so",
                ),
            )
            yield (*references[:k], other, *references[k + 1 :])
