"""Columns of the splice log that the analyses read."""

MEASURED_COLUMNS = ("measured_ab_db", "measured_ba_db")
"""Loss measured with an OTDR from either end, in dB."""
SPLICE_COLUMNS = (
    "id",
    "import_id",
    "splicer",
    "spliced_at",
    "loss_db",
    "loss_below_db",
    "outcome",
    "error_reason",
    "holding",
    "technician",
    "program",
    "fiber_a",
    "fiber_b",
    "cleave_left_deg",
    "cleave_right_deg",
    "arc_count",
    "splice_number",
    "site",
    "purpose",
    "temperature_c",
    "pressure_hpa",
    "humidity_pct",
    "cleaver",
    "blade_position",
    "location",
    *MEASURED_COLUMNS,
)
RARELY_REPEATED_COLUMNS = frozenset({"location"})
"""Text columns whose values rarely repeat, so that categories would cost more than they save."""
