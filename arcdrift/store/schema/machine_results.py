"""Result tables about splicers and cleavers: checks, arc settings, clocks, air and blades."""

from sqlalchemy import BigInteger, Boolean, Column, Float, Integer, String, Table, Text

from arcdrift.store.schema.columns import clock_bounds_columns, result_metadata

result_check_days = Table(
    "result_check_days",
    result_metadata,
    Column("splicer", Text, primary_key=True),
    Column("day", String(10), primary_key=True),
    Column("site", Text),
    Column("status", String(12), nullable=False),
    Column("checked_at", BigInteger),
    Column("first_splice_at", BigInteger),
    Column("splices", Integer, nullable=False),
    Column("splices_before_check", Integer, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("failed_attempts", Integer, nullable=False),
    Column("splices_after_failure", Integer, nullable=False),
    Column("technician", Text),  # the one with the most splices that day
    Column("day_over", Boolean, nullable=False),  # False: the day is still running
)

result_arc_models = Table(
    "result_arc_models",
    result_metadata,
    Column("splicer", Text, primary_key=True),
    Column("checks", Integer, nullable=False),  # passed checks with a setting
    Column("used", Integer, nullable=False),
    Column("refusal", Text),  # why there is no model, in a sentence; NULL when there is one
    Column("model", Text),  # JSON, see arcdrift.analysis.arc.arc_model.ArcModel
    # JSON, see arcdrift.analysis.arc.arc_model.PeerSlopes; NULL where there is a model, or no peers
    Column("peer_slopes", Text),
)

result_arc_points = Table(
    "result_arc_points",
    result_metadata,
    Column("splicer", Text, primary_key=True),
    Column("checked_at", BigInteger, primary_key=True),
    Column("point", Integer, primary_key=True),  # 0, 1 ... for checks at one instant
    Column("site", Text),
    Column("epoch", Integer, nullable=False),
    Column("arc_setting", Float),
    Column("arcs", Float),  # since the electrodes were last replaced
    Column("temperature_c", Float),
    Column("station_pressure_hpa", Float),
    Column("humidity_pct", Float),
    Column("air_density", Float),  # kg/m3
    Column("vapor_pressure", Float),  # hPa
    Column("air_source", Text),
    Column("air_age_min", Float),
    Column("fitted", Float),
    Column("expected", Float),  # one step ahead, from earlier checks only
    Column("expected_low", Float),
    Column("expected_high", Float),
    Column("z", Float),
    Column("ewma", Float),
    Column("limit", Float),
    Column("alarm", Boolean, nullable=False),
    Column("doubt_limit", Float),  # |z| that a doubtful check exceeded; NULL for others
    Column("level", Integer, nullable=False),  # of the setting: new after service, logged or not
    Column("beyond", Float),  # setting less what was expected before an unexplained change
    Column("leverage", Float),  # see arcdrift.analysis.arc.influential_checks, as are the next four
    Column("studentized", Float),
    Column("dffits", Float),
    Column("cooks_distance", Float),
    Column("air_change", Float),  # of the air effect when the check is left out, setting units
    Column("excluded", Text),  # why the check was not used; NULL when it was
)

result_worth = Table(
    "result_worth",
    result_metadata,
    Column("splicer", Text, primary_key=True),
    Column("program_class", String(16), primary_key=True),
    Column("unit", Text, nullable=False),  # of the mismatch
    Column("splicers", Integer, nullable=False),  # of the same model and unit
    Column("splices", BigInteger, nullable=False),
    Column("days", Integer, nullable=False),
    Column("seen", Float, nullable=False),  # mismatch that 99 % of splices kept within
    Column("per_square", Float),  # dB a splice per squared unit; NULL when refused
    Column("low", Float),
    Column("high", Float),
    Column("odd_shape", Boolean, nullable=False),
    Column("bins", Text, nullable=False),  # JSON: cost by size of mismatch, no shape assumed
    Column("refusal", Text),
)

result_air_coverage = Table(
    "result_air_coverage",
    result_metadata,
    Column("kind", String(16), primary_key=True),  # arc-checks or splices
    Column("splicer", Text, primary_key=True),
    Column("rows", BigInteger, nullable=False),
    Column("with_air", BigInteger, nullable=False),
)

result_clock_stretches = Table(
    "result_clock_stretches",
    result_metadata,
    Column("splicer", Text, primary_key=True),
    Column("starts_at", BigInteger, primary_key=True),  # as logged, like ends_at
    *clock_bounds_columns(),
    Column("shift_h", Float),  # hours to add; NULL when not known
    Column("since", BigInteger, nullable=False),  # UTC, as well as it is known
    Column("until", BigInteger, nullable=False),
    Column("splices", Integer, nullable=False),  # not used by the analysis
    Column("checks", Integer, nullable=False),
    Column("days", Integer, nullable=False),
)

result_blades = Table(
    "result_blades",
    result_metadata,
    Column("cleaver", Text, primary_key=True),
    Column("splicers", Text, nullable=False),
    Column("position", Text),
    Column("cleaves", Float),  # on this position; NULL where it is not known since when it is used
    Column("cleaves_per_position", Integer, nullable=False),
    Column("since", BigInteger),
    Column("until", BigInteger, nullable=False),
    Column("cleaves_a_day", Float, nullable=False),
    Column("days_left", Float),
    Column("worn_positions", Integer, nullable=False),
    Column("positions_used", Float),
)
