"""What to charge: the trade charges by the hole; every figure is the user's own, nothing is assumed."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal, InvalidOperation

CENT = Decimal("0.01")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargeLine:
    """One line of a reckoning, amounts in the user's currency."""

    words: str
    amount: Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class Charge:
    """A reckoning: its lines, their sum, the currency as typed (may be empty) and notes."""

    lines: tuple[ChargeLine, ...]
    total: Decimal
    currency: str
    notes: tuple[str, ...]

    def printed(self, amount: Decimal) -> str:
        """An amount with its currency."""
        return f"{amount:,.2f} {self.currency}".strip()


def read_amount(text: str) -> Decimal:
    """An amount of money such as ``1.25``, ``1,25`` or ``40``.

    Raises
    ------
    ValueError
        When it is no amount, negative, or beyond a thousand million.
    """
    try:
        amount = Decimal(text.strip().replace(",", "."))
    except InvalidOperation as e:
        raise ValueError(f"'{text.strip()}' is not an amount; write it like 1.25") from e
    if not amount.is_finite() or amount < 0 or amount > 10**9:
        raise ValueError(f"'{text.strip()}' is not an amount of money")
    return amount


def reckon(
    *,
    n_holes: int,
    n_hidden: int,
    rate: Decimal | None,
    material: Decimal | None,
    extras: Sequence[tuple[str, Decimal]],
    currency: str = "",
) -> Charge:
    """Add up a charge.

    Parameters
    ----------
    n_holes : int
        Holes counted, of all seats together; hidden ones are named in a note, not charged.
    rate : Decimal or None
        A hole; unrounded, the line is rounded to the hundredth, half up.
    """
    lines = []
    notes = []
    if rate is not None:
        lines.append(ChargeLine(words=f"{n_holes} holes at {rate}", amount=_rounded(rate * n_holes)))
        if n_hidden:
            notes.append(
                f"{n_hidden} hidden hole{'s are' if n_hidden > 1 else ' is'} not charged; with "
                f"{'them' if n_hidden > 1 else 'it'} the holes come to {_rounded(rate * (n_holes + n_hidden))}."
            )
    if material is not None:
        lines.append(ChargeLine(words="material", amount=_rounded(material)))
    lines += [ChargeLine(words=words, amount=_rounded(amount)) for words, amount in extras]
    total = sum((line.amount for line in lines), Decimal(0))
    return Charge(lines=tuple(lines), total=_rounded(total), currency=currency, notes=tuple(notes))


def _rounded(amount: Decimal) -> Decimal:
    return amount.quantize(CENT, rounding=ROUND_HALF_UP)
