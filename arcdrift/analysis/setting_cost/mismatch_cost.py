"""What a wrong arc setting costs, told by program class and in a sentence for the field."""

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

import pandas as pd

NOTHING_DB = 0.0005
"""Costs that are surely smaller are told as none; loss is read to 0.01 dB."""
FINE_DB = 0.01


@dataclass(frozen=True)
class Worth:
    """Cost of a mismatch on one splicer's programs of one class, from all its sisters' splices.

    Attributes
    ----------
    splicers, splices, days : int
        What it rests on: splicers of the same model and unit, their splices, workdays.
    seen : float
        Mismatch, in setting units, that 99 % of the splices kept within.
    per_square, low, high : float or None
        dB a splice per squared unit of mismatch with its 95 % interval; None when refused.
    odd_shape : bool
        Whether costs by size of mismatch contradict a rise with the square.
    bins : tuple of dict
        ``from``, ``to`` (setting units; to None: open), ``splices``, ``cost_db``, ``low_db``,
        ``high_db`` against the smallest mismatches: no shape assumed.
    refusal : str or None
        Why there is no figure, in words.
    """

    splicer: str
    program_class: str
    unit: str
    splicers: int
    splices: int
    days: int
    seen: float
    per_square: float | None
    low: float | None
    high: float | None
    odd_shape: bool
    bins: tuple[dict[str, Any], ...]
    refusal: str | None

    def at(self, mismatch: float) -> tuple[float, float, float] | None:
        """Cost in dB a splice and its 95 % interval at a mismatch in setting units.

        None when refused, or when splices were hardly ever made that far off.
        """
        if self.per_square is None or self.low is None or self.high is None:
            return None
        if round(abs(mismatch), 1) > round(self.seen, 1):
            return None
        square = mismatch**2
        return self.per_square * square, self.low * square, self.high * square


def worth_table(worths: Iterable[Worth]) -> pd.DataFrame:
    """Rows of ``result_worth``."""
    rows = [asdict(worth) | {"bins": json.dumps(worth.bins)} for worth in worths]
    return pd.DataFrame(rows, columns=list(Worth.__dataclass_fields__))


def worths_from(table: pd.DataFrame) -> tuple[Worth, ...]:
    """Rebuild what `worth_table` stored."""
    rows = table.astype(object).where(table.notna(), None).to_dict("records")
    return tuple(
        Worth(**{str(k): v for k, v in row.items()} | {"bins": tuple(json.loads(row["bins"]))})
        for row in rows
    )


def tell_worth(
    worths: Iterable[Worth], classes: tuple[str, ...], off: float | None, tolerance: float | None
) -> dict[str, Any] | None:
    """Say what working on with a wrong setting costs.

    Parameters
    ----------
    worths : iterable of Worth
        This splicer's.
    classes : tuple of str
        Program classes used lately; empty for all.
    off : float, optional
        By how much the setting seems to be off now, in its unit.
    tolerance : float, optional
        Asked about where the setting is off by less than half of it.

    Returns
    -------
    dict or None
        ``sentence``, ``mismatch``, ``unit`` and ``programs``: for each class its
        ``program_class``, ``mismatch`` the figure is for, ``cost_db``, ``low_db``, ``high_db``
        (None when refused), ``splices`` and ``refusal``. None when nothing is known.
    """
    told = [worth for worth in worths if not classes or worth.program_class in classes]
    if not told or tolerance is None:
        return None
    asked = tolerance if off is None or abs(off) < tolerance / 2 else abs(off)
    programs, parts = [], []
    for worth in told:
        # no further than what was seen: beyond it the figure would be a guess
        mismatch = min(asked, worth.seen)
        cost = worth.at(mismatch)
        value, low, high = cost or (None, None, None)
        parts.append(_part(worth, mismatch, cost))
        programs.append(
            {
                "program_class": worth.program_class,
                "mismatch": mismatch,
                "cost_db": value,
                "low_db": low,
                "high_db": high,
                "splices": worth.splices,
                "refusal": worth.refusal,
            }
        )
    sentence = f"What a wrong setting costs a splice: {'; '.join(parts)}."
    return {"sentence": sentence, "mismatch": asked, "unit": told[0].unit, "programs": programs}


def _part(worth: Worth, mismatch: float, cost: tuple[float, float, float] | None) -> str:
    where = f"on {worth.program_class} programs"
    if cost is None:
        return f"not known {where} ({worth.refusal})"
    value, low, high = cost
    far = f"{mismatch:.0f}" if mismatch >= 9.5 else f"{mismatch:.1f}".removesuffix(".0")
    far += f" {worth.unit} off"
    if low <= 0:
        return f"none seen {where} at {far} ({_under(high)})"
    rough = ", roughly: it does not rise with the square" if worth.odd_shape else ""
    span = f"{_db(low, high)} to {_db(high, high)}"
    return f"about {_db(value, high)} dB {where} at {far} ({span}{rough})"


def _under(high: float) -> str:
    if high < NOTHING_DB:
        return f"under {NOTHING_DB:g} dB"
    return f"under {_db(high, high)} dB"


def _db(value: float, largest: float) -> str:
    return f"{value:.4f}" if largest < FINE_DB else f"{value:.3f}"
