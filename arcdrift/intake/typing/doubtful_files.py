"""Refuse a file whose values are doubtful as a whole."""

import numpy as np

from arcdrift.errors import BadInput
from arcdrift.intake.schema.kinds import Kind
from arcdrift.intake.schema.units import to_stored
from arcdrift.intake.typing.whole_file_state import BoundCounts, WholeFileState
from arcdrift.quantities import QUANTITIES

_COMMON_UNITS = {
    "pressure_hpa": ("inHg", "mmHg", "kPa", "psi", "Pa"),
    "temperature_c": ("degF", "kelvin"),
    "cleave_left_deg": ("mrad",),
    "cleave_right_deg": ("mrad",),
    "sleeve_mm": ("inch", "cm"),
    "core_offset_um": ("nm",),
    "melt_back_um": ("nm",),
}


def refuse_doubtful_file(counts: WholeFileState, kind: Kind, file: str) -> None:
    """Refuse a file with a wrong unit, fractions for percentages, or times without a time of day.

    Raises
    ------
    BadInput
        With a sentence that says what to do.
    """
    _refuse_wrong_unit(counts.bounds, file)
    fractions = counts.percentages.fraction_column()
    if fractions is not None:
        share = _share(fractions.within, fractions.present)
        raise BadInput(
            f"{share} values of {fractions.column} in {file} are "
            f"{fractions.lowest:.10g}..{fractions.highest:.10g}, which may be fractions of 1 or "
            f"percent; give a layout that states the unit, fraction or percent."
        )
    rows = counts.clocks.rows_at_midnight(several_per_minute=kind.repeats)
    if rows and kind.name != "service":
        raise BadInput(
            f"All {rows} times in {file} are at 00:00:00, so their time of day was lost; export "
            f"the log with it, or name its column in a layout, beside that of the date."
        )


def _share(count: int, total: int) -> str:
    return f"All {total}" if count == total else f"{count:,} of {total:,}"


def _refuse_wrong_unit(bounds: BoundCounts, file: str) -> None:
    """Refuse a file in which every value of a column fails one bound, with units that fit."""
    outside = bounds.out_of_bounds_column()
    if outside is None:
        return
    quantity = QUANTITIES[outside.column]
    ends = np.array([outside.lowest, outside.highest])
    fits = [
        unit
        for unit in _COMMON_UNITS.get(quantity.column, ())
        for converted in [to_stored(ends, unit, quantity.column)]
        if converted[0] >= quantity.low and converted[1] <= quantity.high
    ]
    hint = f" (are they {' or '.join(fits)}?)" if fits else ""
    raise BadInput(
        f"All {outside.present} values of {quantity.column} in {file} are {ends[0]:.10g}.."
        f"{ends[1]:.10g}, outside {quantity.low:.12g}..{quantity.high:.12g} "
        f"{quantity.symbol}{hint}; give a layout that states the unit."
    )
