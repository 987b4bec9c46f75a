"""Table of measured quantities: unit, bounds of believable values, and label.

Values outside ``low..high`` are quarantined, never guessed. The bounds are wide, so that they
catch a wrong unit or a broken sensor but not an unusual day.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """A measured quantity as stored.

    Attributes
    ----------
    column : str
        Column name in files and in the store; it carries the unit.
    unit : str
        Unit as `pint` understands it.
    symbol : str
        Unit as people read it.
    low, high : float
        Inclusive bounds of a believable value.
    label : str
        Words shown on screens.
    """

    column: str
    unit: str
    symbol: str
    low: float
    high: float
    label: str


_ROWS = (
    Quantity("temperature_c", "degC", "°C", -60.0, 70.0, "Temperature"),
    Quantity("pressure_hpa", "hPa", "hPa", 450.0, 1100.0, "Pressure"),
    Quantity("humidity_pct", "percent", "%", 0.0, 100.0, "Relative humidity"),
    Quantity("dew_point_c", "degC", "°C", -60.0, 40.0, "Dew point"),
    Quantity("loss_db", "dB", "dB", 0.0, 10.0, "Estimated loss"),
    Quantity("loss_below_db", "dB", "dB", 0.0, 10.0, "Limit that the loss is below"),
    Quantity("measured_ab_db", "dB", "dB", -5.0, 10.0, "Measured loss, A to B"),
    Quantity("measured_ba_db", "dB", "dB", -5.0, 10.0, "Measured loss, B to A"),
    Quantity("cleave_left_deg", "degree", "°", 0.0, 20.0, "Cleave angle, left"),
    Quantity("cleave_right_deg", "degree", "°", 0.0, 20.0, "Cleave angle, right"),
    Quantity("core_offset_um", "micrometer", "µm", 0.0, 125.0, "Core offset"),
    Quantity("melt_back_um", "micrometer", "µm", 0.0, 500.0, "Melt-back"),
    Quantity("sleeve_mm", "millimeter", "mm", 5.0, 200.0, "Sleeve length"),
    Quantity("arc_count", "count", "arcs", 0.0, 10_000_000.0, "Arc count"),
    Quantity("splice_number", "count", "", 0.0, 1e12, "Splice number"),
    Quantity("arc_setting", "", "", -100_000.0, 100_000.0, "Arc setting"),
)

QUANTITIES: dict[str, Quantity] = {row.column: row for row in _ROWS}
