"""What stands on a job sheet, in words and rows: no layout here, no figures made up there."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from holecount import __version__
from holecount.cautions import DEFER, Work, cautions_for
from holecount.decide import Decision
from holecount.lengths import inches_32, mm_with_u
from holecount.measurement import Measurement
from holecount.report import LEAST_SHARE, SHAPE_WORDS, count_words
from holecount.sizing import Fit, SizeChoice
from holecount.sizing.figures import LOOK_AGAIN
from holecount.sizing.words import percent, size
from holecount.stats import RailStats, SixInches, Spread, look_again
from holecount.tape import Check, mean_words, tape_stats


@dataclass(frozen=True, slots=True, kw_only=True)
class JobNotes:
    """What only the worker knows of a job.

    Attributes
    ----------
    name : str
        Of the job, such as ``six dining chairs, no. 3``.
    date : str
        As it shall stand on the sheet.
    notes : str
        Free text; line breaks are kept.
    work : Work
        What the cautions hang on; ``n_blocked`` is filled in from the measurement.
    """

    name: str
    date: str = ""
    notes: str = ""
    work: Work = field(default_factory=Work)


@dataclass(frozen=True, slots=True, kw_only=True)
class RailRow:
    """A line of the table by rail: its name and its cells."""

    name: str
    cells: tuple[str, ...]
    total: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TapeRow:
    """One reading beside the photograph: place and kind, as written, as understood, what the photograph says."""

    what: str
    written: str
    understood: str
    expected: str
    verdict: str
    slips: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeWords:
    """The size decision in words.

    Attributes
    ----------
    take, chance : str
        ``2.5 mm (fine)`` and ``86 %``; ``take`` is empty when there is no size.
    others : tuple of (str, str, str)
        Runners-up: size, chance, what would make it right.
    fits, binder, remarks : tuples of str
    to_decide : str
    reasons : tuple of (str, str)
        Step of the reasoning and its source.
    charts : tuple of (str, str)
        What each chart says by itself; the deciding one first.
    no_choice : str
        Why there is none.
    """

    take: str
    chance: str
    others: tuple[tuple[str, str, str], ...]
    fits: tuple[str, ...]
    binder: tuple[str, ...]
    remarks: tuple[str, ...]
    to_decide: str
    reasons: tuple[tuple[str, str], ...]
    charts: tuple[tuple[str, str], ...]
    no_choice: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetContent:
    """Everything that stands on the sheet but the pictures."""

    job: JobNotes
    photo_name: str
    made_by: str
    good: bool
    verdict: str
    verdict_reasons: tuple[str, ...]
    shape: str
    count: str
    figures: tuple[tuple[str, str, str], ...]
    rail_heading: tuple[str, ...]
    rails: tuple[RailRow, ...]
    extremes: tuple[str, ...]
    look_again: tuple[str, ...]
    size: SizeWords
    tape: tuple[TapeRow, ...]
    tape_figures: tuple[str, ...]
    assumed: tuple[str, ...]
    cautions: tuple[str, ...]
    defer: str = DEFER


def content_of(m: Measurement, decision: Decision, job: JobNotes) -> SheetContent:
    """Put a measurement and its decision into words."""
    pixels = m.scale is None
    unit = "px" if pixels else "mm"
    work = replace(job.work, n_blocked=m.seat.n_blocked)
    return SheetContent(
        job=job,
        photo_name=m.photo_name,
        made_by=f"holecount {__version__}",
        good=m.verdict == "good",
        verdict="good" if m.verdict == "good" else "check: look again before you buy cane",
        verdict_reasons=(*m.verdict_reasons, *m.remarks),
        shape=SHAPE_WORDS.get(m.shape, m.shape),
        count=count_words(m.seat),
        figures=_figures(m),
        rail_heading=("holes", f"pitch, {unit}", *(() if pixels else ("in",)), "least to greatest (between holes)",
                      f"diameter, {unit}", *(() if pixels else ("in",)), "least to greatest (hole)",
                      *(() if pixels else ("in six inches",))),
        rails=tuple(_rail_row(s, pixels=pixels, total=s is m.seat) for s in (*_several(m.rails), m.seat)),
        extremes=_extremes(m.seat, unit),
        look_again=look_again(m.low_confidence),
        size=size_words(decision.choice, decision.no_choice),
        tape=tape_rows(decision),
        tape_figures=_tape_figures(decision),
        assumed=_assumed(m, decision.choice),
        cautions=tuple(c.words for c in cautions_for(work)),
    )  # fmt: skip


def _several(rails: Sequence[RailStats]) -> Sequence[RailStats]:
    return rails if len(rails) > 1 else ()


def _figures(m: Measurement) -> tuple[tuple[str, str, str], ...]:
    """The three or four figures that matter most: what, value, the same in inches or more of it."""
    pixels = m.scale is None
    out = [("holes", str(m.seat.n_holes), _count_rest(m.seat))]
    for what, spread in (("pitch, centre to centre", m.seat.pitch), ("hole diameter (bore)", m.seat.diameter)):
        if spread is None:
            out.append((what, "not known", ""))
        elif pixels:
            out.append((what, f"{spread.mean_mm:.1f} px", ""))
        else:
            out.append((what, mm_with_u(spread.mean_mm, spread.u_mean_mm), inches_32(spread.mean_mm)))
    if not pixels and m.seat.six_inches.from_pitch is not None:
        out.append(("holes in six inches", six_inches_words(m.seat.six_inches), ""))
    return tuple(out)


def _count_rest(s: RailStats) -> str:
    return ", ".join(
        words
        for n, words in (
            (s.n_blocked, f"{s.n_blocked} blocked"),
            (s.n_hidden, f"{s.n_hidden} more hidden, not counted"),
        )
        if n
    )


def six_inches_words(s: SixInches) -> str:
    """``11 to 12``, or by pitch alone where the rail is shorter than six inches."""
    if s.least is None or s.most is None:
        return "-" if s.from_pitch is None else f"{s.from_pitch:.1f} by pitch"
    return f"{s.least}" if s.least == s.most else f"{s.least} to {s.most}"


def _rail_row(s: RailStats, *, pixels: bool, total: bool) -> RailRow:
    cells = [rail_count(s)]
    for spread in (s.pitch, s.diameter):
        if spread is None:
            cells += ["-", "-"] if pixels else ["-", "", "-"]
            continue
        if pixels:
            cells.append(f"{spread.mean_mm:.1f}")
        else:
            cells.append(mm_with_u(spread.mean_mm, spread.u_mean_mm).removesuffix(" mm"))
            cells.append(inches_32(spread.mean_mm).removesuffix(" in"))
        cells.append(_least_to_greatest(spread, 1 if pixels else 2))
    if not pixels:
        cells.append(six_inches_words(s.six_inches))
    return RailRow(name="seat" if total else s.name, cells=tuple(cells), total=total)


def rail_count(s: RailStats) -> str:
    """``19 (2 blocked, 1 hidden)``."""
    extra = [f"{n} {word}" for n, word in ((s.n_blocked, "blocked"), (s.n_hidden, "hidden")) if n]
    return f"{s.n_holes}" + (f" ({', '.join(extra)})" if extra else "")


def _least_to_greatest(s: Spread, decimals: int) -> str:
    def at(numbers: Sequence[int]) -> str:
        return f" ({'-'.join(map(str, numbers))})" if numbers else ""

    return f"{s.min_mm:.{decimals}f}{at(s.min_at)} to {s.max_mm:.{decimals}f}{at(s.max_at)}"


def _extremes(s: RailStats, unit: str) -> tuple[str, ...]:
    out = []
    for what, spread in (("pitch", s.pitch), ("same side to same side", s.same_side_pitch), ("diameter", s.diameter)):
        if spread is not None:
            out.append(
                f"{what}: spread (sd) {spread.sd_mm:.2f} {unit}, nine in ten from {spread.p05_mm:.2f} to "
                f"{spread.p95_mm:.2f} {unit}"
            )
    return tuple(out)


_SAID_ELSEWHERE = ("near-even", "charts-disagree")
"""Kinds of remarks that the sheet has a place of its own for: what decides, what each chart says. What the sizing rules
repeat of the verdict (`LOOK_AGAIN`) stands at its head."""


def size_words(choice: SizeChoice | None, no_choice: str) -> SizeWords:
    """The size decision in words."""
    if choice is None:
        return SizeWords(
            take="", chance="", others=(), fits=(), binder=(), remarks=(), to_decide="", reasons=(), charts=(),
            no_choice=no_choice,
        )  # fmt: skip
    taken = choice.choice
    return SizeWords(
        take=size(taken.width_mm, taken.name) if taken else "",
        chance=percent(taken.chance) if taken else "",
        others=tuple((size(c.width_mm, c.name), percent(c.chance), c.why) for c in choice.candidates if c is not taken),
        fits=tuple(_fit_words(f) for f in choice.fits),
        binder=choice.binder.words,
        remarks=tuple(
            r.words for r in choice.remarks if r.code not in _SAID_ELSEWHERE and not r.words.startswith(LOOK_AGAIN)
        ),
        to_decide=choice.to_decide,
        reasons=tuple((r.words, r.source) for r in choice.reasons),
        charts=tuple(
            (size(s.width_mm, s.name) if s.width_mm is not None else "no size", s.cited) for s in choice.by_chart
        ),
        no_choice="" if taken else "Not even the thinnest cane is likely to go through the holes.",
    )


def _fit_words(f: Fit) -> str:
    return f"{f.n_strands} strands ({f.where}): {f.verdict}, {f.needs_mm:.1f} mm needed of {f.hole_mm:.1f} mm"


def tape_rows(decision: Decision) -> tuple[TapeRow, ...]:
    """Readings beside what the photograph (or the other readings) say; alike ones share a row."""
    alike: dict[tuple[str, str, str, str], list[Check]] = {}
    for c in decision.checks:
        r = c.reading
        what = " ".join(x for x in (r.place, _QUANTITIES[r.quantity]) if x) + _BASES[r.basis]
        alike.setdefault((what, c.expected, c.verdict, "; or ".join(c.slips)), []).append(c)
    return tuple(
        TapeRow(
            what=what,
            written=", ".join(c.reading.as_written for c in checks),
            understood="; ".join(
                dict.fromkeys(c.reading.words + (f" ({c.reading.note})" if c.reading.note else "") for c in checks)
            ),
            expected=expected,
            verdict=verdict,
            slips=slips,
        )
        for (what, expected, verdict, slips), checks in alike.items()
    )


_QUANTITIES = {"pitch": "pitch", "hole": "hole", "six-inches": "in six inches", "along": "along the rail"}
_BASES = {"centre": "", "side": ", side to side", "between": ", wood between"}


def _tape_figures(decision: Decision) -> tuple[str, ...]:
    """What the tape alone says of the seat, from the readings that were not wrong."""
    if decision.tape is None or not decision.tape.readings:
        return ()
    stats = tape_stats(decision.tape)
    out = []
    for what, spread in (("pitch", stats.pitch), ("holes", stats.diameter)):
        if spread is not None:
            out.append(f"{what} by the tape: {mean_words(spread)}")
    if stats.six_inches.mean is not None:
        out.append(f"in six inches by the tape: {stats.six_inches.mean:.1f} holes")
    return tuple(out)


def _assumed(m: Measurement, choice: SizeChoice | None) -> tuple[str, ...]:
    """What the figures rest on."""
    out: list[str] = []
    if m.scale is None:
        out.append("No scale: all lengths are pixels of the upright picture.")
    else:
        s = m.scale
        for r, share in zip(s.references, s.shares, strict=True):
            notes = f"; {'; '.join(r.notes)}" if r.notes else ""
            known = f"{100 * share:.0f} % of what is known"
            out.append(f"Scale from: {r.words}, {r.height_mm:.1f} mm above the rims ({known}{notes}).")
        if s.holes_share >= LEAST_SHARE:
            share = 100 * s.holes_share
            out.append(f"Scale from: the holes, bored round and with one bit ({share:.0f} % of what is known).")
        out.append(
            f"Lens: focal length from {s.focal_from}. Camera tilted {s.tilt_deg:.0f} degrees, "
            f"{s.distance_mm / 10:.0f} cm away. Scale good to {100 * s.u_rel:.2g} % over the seat, "
            f"{100 * s.u_local_rel:.2g} % where it is worst."
        )
        out.append("Rims all in one plane. Diameter is the bore: the drill bit that would just fill the hole.")
    out.append(f"Shape taken as: {SHAPE_WORDS.get((choice and choice.shape) or m.shape, m.shape)}.")
    if choice is not None:
        decider = choice.by_chart[0]
        out.append(f"Deciding chart: {decider.cited}, {decider.source}.")
        if choice.thickness_mm is not None:
            out.append(f"Strands {choice.thickness_mm:.2f} mm thick, {choice.thickness_from}.")
        out.append(f"Binder's couching {'counted' if choice.couched else 'not counted'} in the holes.")
    out.append(
        "± is one standard uncertainty: two times in three the true value lies within it, nineteen in twenty within "
        "twice it."
    )
    return tuple(out)


def seat_size_line(choice: SizeChoice | None) -> str:
    """The size in one cell: ``2.5 mm (fine), 86 %``."""
    if choice is None or choice.choice is None:
        return "none"
    c = choice.choice
    return f"{size(c.width_mm, c.name)}, {percent(c.chance)}"
