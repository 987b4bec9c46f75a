"""Cost of a wrong arc setting by program class, as a table and as a sentence for the field."""

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

import pandas as pd

NEGLIGIBLE_DB = 0.0005
"""If the upper limit is below this, report no cost; loss is logged to 0.01 dB."""
FINE_DB = 0.01
"""Costs with an upper limit below this are written with four decimals instead of three."""


@dataclass(frozen=True)
class MismatchCost:
    """Cost of a mismatch on one splicer's programs of one class, estimated with its peers.

    Attributes
    ----------
    splicers, splices, days : int
        Data behind the estimate: splicers of the same model and unit, their splices, workdays.
    seen : float
        99th percentile of the splices' mismatch, in setting units.
    per_square, low, high : float or None
        dB a splice per squared unit of mismatch with its 95 % interval; None when refused.
    odd_shape : bool
        Whether costs by size of mismatch contradict a rise with the square.
    bins : tuple of dict
        ``from``, ``to`` (setting units; None: no upper end), ``splices``, ``cost_db``,
        ``low_db``, ``high_db`` relative to the smallest mismatches, without assuming a shape.
    refusal : str or None
        Why there is no estimate.
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

        None when refused, or when the mismatch is beyond ``seen``.
        """
        if self.per_square is None or self.low is None or self.high is None:
            return None
        if round(abs(mismatch), 1) > round(self.seen, 1):
            return None
        square = mismatch**2
        return self.per_square * square, self.low * square, self.high * square


def cost_table(costs: Iterable[MismatchCost]) -> pd.DataFrame:
    """Rows of ``result_worth``."""
    rows = [asdict(cost) | {"bins": json.dumps(cost.bins)} for cost in costs]
    return pd.DataFrame(rows, columns=list(MismatchCost.__dataclass_fields__))


def costs_from_table(table: pd.DataFrame) -> tuple[MismatchCost, ...]:
    """Rebuild costs from the rows of `cost_table`."""
    rows = table.astype(object).where(table.notna(), None).to_dict("records")
    return tuple(
        MismatchCost(
            **{str(k): v for k, v in row.items()} | {"bins": tuple(json.loads(row["bins"]))}
        )
        for row in rows
    )


def cost_summary(
    costs: Iterable[MismatchCost],
    classes: tuple[str, ...],
    mismatch_now: float | None,
    tolerance: float | None,
) -> dict[str, Any] | None:
    """Summarize what splicing on with a wrong setting costs.

    Parameters
    ----------
    costs : iterable of MismatchCost
        Of this splicer.
    classes : tuple of str
        Program classes used lately; empty for all.
    mismatch_now : float, optional
        Estimated mismatch of the present setting, in its unit.
    tolerance : float, optional
        Mismatch that is summarized if the present one is less than half of it.

    Returns
    -------
    dict or None
        ``sentence``, ``mismatch``, ``unit`` and ``programs``: for each class its
        ``program_class``, ``mismatch`` the estimate is for, ``cost_db``, ``low_db``, ``high_db``
        (None when refused), ``splices`` and ``refusal``. None when nothing is known.
    """
    selected = [item for item in costs if not classes or item.program_class in classes]
    if not selected or tolerance is None:
        return None
    target = (
        tolerance
        if mismatch_now is None or abs(mismatch_now) < tolerance / 2
        else abs(mismatch_now)
    )
    programs, parts = [], []
    for item in selected:
        # no estimate beyond the mismatches seen: it would be an extrapolation
        mismatch = min(target, item.seen)
        interval = item.at(mismatch)
        value, low, high = interval or (None, None, None)
        parts.append(_class_text(item, mismatch, interval, most=mismatch < target))
        programs.append(
            {
                "program_class": item.program_class,
                "mismatch": mismatch,
                "cost_db": value,
                "low_db": low,
                "high_db": high,
                "splices": item.splices,
                "refusal": item.refusal,
            }
        )
    sentence = f"What a wrong setting costs a splice: {'; '.join(parts)}."
    return {
        "sentence": sentence,
        "mismatch": target,
        "unit": selected[0].unit,
        "programs": programs,
    }


def _class_text(
    cost: MismatchCost,
    mismatch: float,
    interval: tuple[float, float, float] | None,
    *,
    most: bool,
) -> str:
    where = f"on {cost.program_class} programs"
    if interval is None:
        return f"not known {where} ({cost.refusal})"
    value, low, high = interval
    far = f"{mismatch:.0f}" if mismatch >= 9.5 else f"{mismatch:.1f}".removesuffix(".0")
    far += f" {cost.unit} off{', the most seen' if most else ''}"
    if low <= 0:
        return f"none seen {where} at {far} ({_upper_limit_text(high)})"
    rough = ", roughly: it does not rise with the square" if cost.odd_shape else ""
    span = f"{_format_db(low, high)} to {_format_db(high, high)}"
    return f"about {_format_db(value, high)} dB {where} at {far} ({span}{rough})"


def _upper_limit_text(high: float) -> str:
    if high < NEGLIGIBLE_DB:
        return f"under {NEGLIGIBLE_DB:g} dB"
    return f"under {_format_db(high, high)} dB"


def _format_db(value: float, largest: float) -> str:
    return f"{value:.4f}" if largest < FINE_DB else f"{value:.3f}"
