"""Tables of the store.

Every instant is a 64-bit integer: microseconds since 1970-01-01 UTC. Local days are ISO text.
Record tables keep what was imported; ``result_*`` tables and ``findings`` hold the last
analysis and are replaced as a whole.
"""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
)

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _id() -> Column[int]:
    # INTEGER on SQLite so that it is the rowid; BIGINT elsewhere
    return Column("id", BigInteger().with_variant(Integer, "sqlite"), primary_key=True)


# record tables carry sqlite_autoincrement: an id that was undone never comes back for another
# record, so a conflict kept from another import cannot point to the wrong one
def _origin() -> tuple[Column[int], Column[int]]:
    """Where a record came from: its import and its first physical line there."""
    return (
        Column("import_id", Integer, ForeignKey("imports.id"), nullable=False, index=True),
        Column("line", BigInteger, nullable=False),
    )


def _air() -> tuple[Column[float], Column[float], Column[float]]:
    return (
        Column("temperature_c", Float),
        Column("pressure_hpa", Float),
        Column("humidity_pct", Float),
    )


imports = Table(
    "imports",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("file_name", Text, nullable=False),
    Column("sha256", String(64), nullable=False, index=True),
    Column("size_bytes", BigInteger, nullable=False),
    Column("kind", String(16), nullable=False),
    Column("layout", Text),
    Column("header", Text),  # JSON: the file's own header cells
    Column("given", Text),  # JSON: the columns of ours that the file speaks of
    Column("to_the_second", Boolean),  # False: its times stop at the minute
    Column("started_at", BigInteger, nullable=False),
    Column("seconds", Float, nullable=False),
    Column("lines", BigInteger, nullable=False),
    Column("other_lines", BigInteger, nullable=False),  # header, blank, skipped, continuation
    Column("rows", BigInteger, nullable=False),
    Column("accepted", BigInteger, nullable=False),
    Column("already_stored", BigInteger, nullable=False),
    Column("conflicting", BigInteger, nullable=False),
    Column("quarantined", BigInteger, nullable=False),
    Column("undone_at", BigInteger),
)

arc_checks = Table(
    "arc_checks",
    metadata,
    _id(),
    *_origin(),
    Column("splicer", Text, nullable=False),
    Column("checked_at", BigInteger, nullable=False),
    Column("outcome", String(8), nullable=False),
    Column("arc_setting", Float),
    Column("arc_count", Float),
    Column("technician", Text),
    Column("site", Text),
    Column("melt_back_um", Float),
    *_air(),
    Column("remark", Text),
    Index(None, "splicer", "checked_at"),
    sqlite_autoincrement=True,
)

splices = Table(
    "splices",
    metadata,
    _id(),
    *_origin(),
    Column("splicer", Text, nullable=False),
    Column("spliced_at", BigInteger, nullable=False),
    Column("loss_db", Float),
    Column("outcome", String(8), nullable=False),
    Column("technician", Text),
    Column("program", Text),
    Column("fiber_a", Text),
    Column("fiber_b", Text),
    Column("cleave_left_deg", Float),
    Column("cleave_right_deg", Float),
    Column("core_offset_um", Float),
    Column("arc_count", Float),
    Column("splice_number", Float),
    Column("cleaver", Text),
    Column("blade_position", Text),
    Column("site", Text),
    Column("location", Text),
    Column("purpose", String(12), nullable=False),
    Column("sleeve_mm", Float),
    Column("heater_program", Text),
    Column("measured_ab_db", Float),
    Column("measured_ba_db", Float),
    *_air(),
    Column("remark", Text),
    Index(None, "splicer", "spliced_at"),
    sqlite_autoincrement=True,
)

readings = Table(
    "readings",
    metadata,
    _id(),
    *_origin(),
    Column("read_at", BigInteger, nullable=False),
    Column("site", Text),
    Column("splicer", Text),
    *_air(),  # pressure as reported; pressure_reference says what it refers to
    Column("pressure_reference", String(10)),
    Column("source", Text),
    Index(None, "site", "read_at"),
    Index(None, "splicer", "read_at"),
    sqlite_autoincrement=True,
)

service = Table(
    "service",
    metadata,
    _id(),
    *_origin(),
    Column("asset", Text, nullable=False),
    Column("serviced_at", BigInteger, nullable=False),
    Column("action", String(24), nullable=False),
    Column("remark", Text),
    Index(None, "asset", "serviced_at"),
    sqlite_autoincrement=True,
)

quarantine = Table(
    "quarantine",
    metadata,
    _id(),
    *_origin(),
    Column("last_line", BigInteger, nullable=False),
    Column("raw", Text, nullable=False),
    Column("column", Text),
    Column("code", String(32), nullable=False),
    Column("message", Text, nullable=False),
    # a closed row left the open list: mended by a later import, or given up by a person
    Column("closed_by", Integer, ForeignKey("imports.id"), index=True),
    Column("closed_at", BigInteger),
    Column("closed_who", Text),
    Column("closed_why", Text),
)

# a row that says again what is stored or quarantined already, or says what the stored row no
# longer shows as it stands: what has to be known to undo any other import exactly
claims = Table(
    "claims",
    metadata,
    _id(),
    *_origin(),
    Column("kind", String(16), nullable=False),  # of record, or "quarantine"
    Column("record_id", BigInteger, nullable=False),
    Column("record", Text),  # JSON: its own values; NULL when they are those of the record
    Column("raw", Text),
    Index(None, "kind", "record_id"),
)

conflicts = Table(
    "conflicts",
    metadata,
    _id(),
    *_origin(),
    Column("stored_id", BigInteger, nullable=False),
    Column("differs", Text, nullable=False),  # JSON: column -> [stored, in the file]
    Column("record", Text, nullable=False),  # JSON: the whole new version
    Column("raw", Text, nullable=False),
    Column("kept", String(3)),  # what a person decided: old or new; NULL while open
    Column("decided_at", BigInteger),
    Column("decided_by", Text),
    Column("decided_against", Text),  # JSON: the version it was held against
)


# a row lies in a stretch when its time as logged does, and when its own count, where it has one,
# is not below the first nor at or beyond the end: near a jump two clocks show the same hours
def _stretch() -> tuple[Column[int], Column[float], Column[float], Column[float], Column[float]]:
    """Where a clock was wrong: from ``starts_at``, which is in the key, up to ``ends_at``."""
    return (
        Column("ends_at", BigInteger, nullable=False),
        Column("first_number", Float),  # splice numbers
        Column("end_number", Float),
        Column("first_arc", Float),  # arc counts, for rows without a splice number; they wrap
        Column("end_arc", Float),  # where the end lies below the first
    )


clock_shifts = Table(
    "clock_shifts",
    metadata,
    _id(),
    Column("splicer", Text, nullable=False, index=True),
    Column("starts_at", BigInteger, nullable=False),  # as logged, like ends_at
    *_stretch(),
    Column("shift_s", BigInteger, nullable=False),  # added when records are read; 0: it is right
    Column("said_by", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("recorded_at", BigInteger, nullable=False),
    Column("undone_at", BigInteger),
    sqlite_autoincrement=True,
)

begun = Table(
    "begun",
    metadata,
    Column("token", String(16), primary_key=True),
    Column("file_name", Text, nullable=False),
    Column("started_at", BigInteger, nullable=False),
)

watched = Table(
    "watched",
    metadata,
    Column("path", Text, primary_key=True),
    Column("size_bytes", BigInteger, nullable=False),
    Column("modified_ns", BigInteger, nullable=False),
    Column("sha256", String(64), index=True),  # NULL when it could not be read
    Column("said", Text),  # why it was not imported; NULL when it was, or was known
)

analysis_run = Table(
    "analysis_run",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("assessed_on", BigInteger, nullable=False),
    Column("now", BigInteger, nullable=False),  # the instant the results speak of
    Column("version", Text, nullable=False),
    Column("seconds", Float, nullable=False),
    Column("splices", BigInteger, nullable=False),
    Column("checks", BigInteger, nullable=False),
    Column("summary", Text, nullable=False),  # JSON: settings used, crew priors, exclusions
)

result_check_days = Table(
    "result_check_days",
    metadata,
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
    Column("technician", Text),  # who made the most splices that day
    Column("day_over", Boolean, nullable=False),  # False: the day is still running
)

result_streams = Table(
    "result_streams",
    metadata,
    Column("splicer", Text, primary_key=True),
    Column("program", Text, primary_key=True),
    Column("program_class", String(16), nullable=False),
    Column("site", Text),  # where it was last used
    Column("first_day", String(10), nullable=False),
    Column("last_day", String(10), nullable=False),
    Column("days", Integer, nullable=False),
    Column("splices", BigInteger, nullable=False),
    Column("state", String(12), nullable=False),  # too-few / learning / charted
    Column("segment_start", String(10)),
    Column("segment_days", Integer, nullable=False),
    Column("baseline_db", Float),  # expected raw day mean, dB
    Column("recent_db", Float),  # raw mean of the last 10 days, dB
    Column("cap_db", Float),
    Column("sd_within", Float),  # of one capped splice, relative to the mean
    Column("sd_between", Float),  # between days, relative to the mean
    Column("alarms_up", Integer, nullable=False),
    Column("alarms_down", Integer, nullable=False),
)

result_stream_days = Table(
    "result_stream_days",
    metadata,
    Column("splicer", Text, primary_key=True),
    Column("program", Text, primary_key=True),
    Column("day", String(10), primary_key=True),
    Column("splices", Integer, nullable=False),
    Column("mean_db", Float, nullable=False),
    Column("capped_mean_db", Float, nullable=False),
    Column("expected_db", Float),  # expected capped day mean, from the past only
    Column("low_db", Float),  # 95 % prediction interval of the capped day mean
    Column("high_db", Float),
    Column("z", Float),
    Column("ewma_up", Float),
    Column("ewma_down", Float),
    Column("limit_up", Float),
    Column("limit_down", Float),
    Column("alarm", String(5), nullable=False),  # "", "up" or "down"
    Column("segment", Integer, nullable=False),
    Column("learning", Boolean, nullable=False),
    Column("site", Text),
    Column("total", Float, nullable=False),  # sums of the day's losses, dB; capped; squares, dB2
    Column("capped", Float, nullable=False),
    Column("capped_squares", Float, nullable=False),
    Column("cap", Float),
    Column("crew_effect", Float),  # see arcdrift.analysis.loss.common_day_effect
    Column("shared_effect", Float),
    Column("excluded", Boolean, nullable=False),  # by a person: neither judged nor learned from
    Column("frozen", Boolean, nullable=False),  # judged, and the baseline stays as it was
)

result_subject_days = Table(  # every loss chart but the level of a stream
    "result_subject_days",
    metadata,
    Column("measure", String(8), primary_key=True),  # level / spread / dirty / redo
    Column("subject_type", String(12), primary_key=True),
    Column("subject_id", Text, primary_key=True),
    Column("day", String(10), primary_key=True),
    Column("n", Integer, nullable=False),
    Column("value", Float, nullable=False),  # relative to what was expected, or a share
    Column("expected", Float),
    Column("statistic", Float),
    Column("limit", Float),
    Column("alarm", Boolean, nullable=False),
)

result_loss_cells = Table(  # splices by hand, stream and day: what a trial of another budget reads
    "result_loss_cells",
    metadata,
    Column("splicer", Text, primary_key=True),
    Column("program", Text, primary_key=True),
    Column("technician", Text, primary_key=True),
    Column("site", Text, primary_key=True),
    Column("day", String(10), primary_key=True),
    Column("n", Integer, nullable=False),
    Column("capped", Float, nullable=False),  # dB
    Column("capped_squares", Float, nullable=False),
    Column("made", Integer, nullable=False),
    Column("redo", Integer, nullable=False),
    Column("dirty", Integer, nullable=False),
)

baseline_marks = Table(  # what a person said of the baselines of loss charts
    "baseline_marks",
    metadata,
    _id(),
    Column("action", String(8), nullable=False),  # exclude / freeze
    Column("splicer", Text),  # NULL: every splicer
    Column("program", Text),  # NULL: every program
    Column("first_day", String(10), nullable=False),
    Column("last_day", String(10)),  # NULL: until taken back
    Column("note", Text, nullable=False),
    Column("said_by", Text, nullable=False),
    Column("recorded_at", BigInteger, nullable=False),
    Column("undone_at", BigInteger),
    sqlite_autoincrement=True,
)

result_crew_days = Table(
    "result_crew_days",
    metadata,
    Column("day", String(10), primary_key=True),
    Column("splices", Integer, nullable=False),
    Column("mean_db", Float),
    Column("median_db", Float),
    Column("p95_db", Float),
    Column("over_010", Integer, nullable=False),  # splices over 0.10 dB
    Column("redo", Integer, nullable=False),
    Column("errors", Integer, nullable=False),
)

result_exceptions = Table(
    "result_exceptions",
    metadata,
    Column("splice_id", BigInteger, primary_key=True, autoincrement=False),
    Column("splicer", Text, nullable=False, index=True),
    Column("program", Text, nullable=False),
    Column("technician", Text),
    Column("day", String(10), nullable=False),
    Column("spliced_at", BigInteger, nullable=False),
    Column("loss_db", Float, nullable=False),
    Column("limit_db", Float, nullable=False),  # learned from earlier days of the stream
    Column("location", Text),
)

result_single_limits = Table(
    "result_single_limits",
    metadata,
    Column("splicer", Text, primary_key=True),
    Column("program", Text, primary_key=True),
    Column("limit_db", Float),  # in force for the next day; NULL when there is none
    Column("splices", Integer, nullable=False),  # it was learned from
    Column("last_day", String(10), nullable=False),  # of the days it was learned from
    Column("judged", Integer, nullable=False),  # splices that had a limit, over all segments
    Column("exceptions", Integer, nullable=False),
    Column("refusal", Text),  # why there is no limit, in a sentence
)

result_arc_models = Table(
    "result_arc_models",
    metadata,
    Column("splicer", Text, primary_key=True),
    Column("checks", Integer, nullable=False),  # passed checks with a setting
    Column("used", Integer, nullable=False),
    Column("refusal", Text),  # why there is no model, in a sentence; NULL when there is one
    Column("model", Text),  # JSON, see arcdrift.analysis.arc.arc_model.ArcModel
)

result_arc_points = Table(
    "result_arc_points",
    metadata,
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
    Column("leverage", Float),  # see arcdrift.analysis.arc.influential_checks, as are the next four
    Column("studentized", Float),
    Column("dffits", Float),
    Column("cooks_distance", Float),
    Column("air_change", Float),  # of the air effect when left out, setting units
    Column("excluded", Text),  # why it was not used; NULL when it was
)

result_agreement = Table(
    "result_agreement",
    metadata,
    Column("splicer", Text, primary_key=True),
    Column("program", Text, primary_key=True),  # empty: all programs
    Column("pairs", Integer, nullable=False),
    Column("bias_db", Float),  # estimate less measurement; NULL when too few
    Column("low_db", Float),
    Column("high_db", Float),
    Column("sd_db", Float),
    Column("lower_db", Float),  # limits of agreement
    Column("upper_db", Float),
    Column("since", BigInteger, nullable=False),
    Column("until", BigInteger, nullable=False),
)
result_worth = Table(
    "result_worth",
    metadata,
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
    metadata,
    Column("kind", String(16), primary_key=True),  # arc-checks or splices
    Column("splicer", Text, primary_key=True),
    Column("rows", BigInteger, nullable=False),
    Column("with_air", BigInteger, nullable=False),
)

result_clock_stretches = Table(
    "result_clock_stretches",
    metadata,
    Column("splicer", Text, primary_key=True),
    Column("starts_at", BigInteger, primary_key=True),  # as logged, like ends_at
    *_stretch(),
    Column("shift_h", Float),  # hours to add; NULL when nothing settles it
    Column("since", BigInteger, nullable=False),  # in true time, as well as it is known
    Column("until", BigInteger, nullable=False),
    Column("splices", Integer, nullable=False),  # kept apart
    Column("checks", Integer, nullable=False),
    Column("days", Integer, nullable=False),
)

# what somebody told a person, kept for good; figures of a review never touch it
coaching = Table(
    "coaching",
    metadata,
    _id(),
    Column("technician", Text, nullable=False, index=True),
    Column("held_on", String(10), nullable=False),  # local day
    Column("topic", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("said_by", Text, nullable=False),
    Column("recorded_at", BigInteger, nullable=False),
    Column("undone_at", BigInteger),
    sqlite_autoincrement=True,
)

result_prep = Table(
    "result_prep",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("document", Text, nullable=False),  # JSON: refusal, sets, swaps, promises, crew shares
)

result_people = Table(
    "result_people",
    metadata,
    Column("who", String(12), primary_key=True),  # technician, splicer or cleaver
    Column("name", Text, primary_key=True),
    Column("measure", String(8), primary_key=True),  # loss, angle, uneven or redo
    Column("days", Integer, nullable=False),
    Column("splices", BigInteger, nullable=False),
    Column("connected", Integer, nullable=False),  # set of who is comparable with whom, from 0
    Column("effect", Float),  # relative to the average of the set; NULL with a note
    Column("low", Float),  # 95 % interval
    Column("high", Float),
    Column("sure", Float),  # probability of more than the margin
    Column("note", Text),
)

result_consistency = Table(
    "result_consistency",
    metadata,
    Column("technician", Text, primary_key=True),
    Column("measure", String(8), primary_key=True),  # angle or loss
    Column("days", Integer, nullable=False),
    Column("splices", BigInteger, nullable=False),
    Column("freedom", Float, nullable=False),
    Column("sd", Float),
    Column("crew_sd", Float),  # of the others on the same machines
    Column("ratio", Float),
    Column("low", Float),
    Column("high", Float),
    Column("sure", Float),
    Column("note", Text),
)

result_shares = Table(
    "result_shares",
    metadata,
    Column("technician", Text, primary_key=True),
    Column("measure", String(8), primary_key=True),  # redo or bad (cleaves)
    Column("n", BigInteger, nullable=False),
    Column("observed", BigInteger, nullable=False),
    Column("expected", Float, nullable=False),  # in other hands on the same machines
    Column("share", Float, nullable=False),  # crew's share x observed / expected
    Column("low", Float, nullable=False),  # funnel limits, 95 %
    Column("high", Float, nullable=False),
)

result_person_days = Table(
    "result_person_days",
    metadata,
    Column("technician", Text, primary_key=True),
    Column("day", String(10), primary_key=True),
    Column("splices", Integer, nullable=False),
    Column("loss_db", Float),  # capped mean
    Column("angle_deg", Float),  # geometric mean of both sides
    Column("angle_spread", Float),  # sd of the log angle
    Column("loss_level", Float),  # apart from machines and programs, log scale against the crew
    Column("angle_level", Float),
    Column("freedom", Float, nullable=False),
    Column("bad", Integer, nullable=False),
    Column("redo", Integer, nullable=False),
)

result_shared_work = Table(
    "result_shared_work",
    metadata,
    Column("technician", Text, primary_key=True),
    Column("splicer", Text, primary_key=True),
    Column("days", Integer, nullable=False),
    Column("splices", BigInteger, nullable=False),
)

result_signatures = Table(
    "result_signatures",
    metadata,
    Column("kind", String(16), primary_key=True),
    Column("subject_type", String(12), primary_key=True),
    Column("subject", Text, primary_key=True),
    Column("estimate", Float, nullable=False),
    Column("low", Float, nullable=False),
    Column("high", Float, nullable=False),
    Column("unit", Text, nullable=False),
    Column("splices", BigInteger, nullable=False),
    Column("days", Integer, nullable=False),
    Column("since", BigInteger, nullable=False),
    Column("until", BigInteger, nullable=False),
    Column("words", Text, nullable=False),
)

result_cleave_runs = Table(
    "result_cleave_runs",
    metadata,
    Column("splicer", Text, primary_key=True),
    Column("technician", Text, primary_key=True),
    Column("since", BigInteger, primary_key=True),
    Column("until", BigInteger, nullable=False),
    Column("length", Integer, nullable=False),
    Column("worst_deg", Float, nullable=False),
    Column("cleaver", Text),
    Column("blade_position", Text),
    Column("splices", Text, nullable=False),  # JSON: ids of splices
)

result_sign_offs = Table(
    "result_sign_offs",
    metadata,
    Column("technician", Text, primary_key=True),
    Column("attempt", Integer, primary_key=True),
    Column("verdict", String(16), nullable=False),
    Column("since", BigInteger, nullable=False),
    Column("until", BigInteger, nullable=False),
    Column("splices", Integer, nullable=False),
    Column("more", Integer, nullable=False),  # expected until an answer
    Column(
        "measures", Text, nullable=False
    ),  # JSON: see arcdrift.analysis.people.sign_off.MeasureResult
)

result_blades = Table(
    "result_blades",
    metadata,
    Column("cleaver", Text, primary_key=True),
    Column("splicers", Text, nullable=False),
    Column("position", Text),
    Column("cleaves", Float),  # on this position; NULL where its turn is not known
    Column("cleaves_per_position", Integer, nullable=False),
    Column("since", BigInteger),
    Column("until", BigInteger, nullable=False),
    Column("cleaves_a_day", Float, nullable=False),
    Column("days_left", Float),
    Column("worn_positions", Integer, nullable=False),
    Column("positions_used", Float),
)

findings = Table(
    "findings",
    metadata,
    Column("id", String(12), primary_key=True),
    Column("kind", String(24), nullable=False, index=True),
    Column("subject_type", String(16), nullable=False),
    Column("subject_id", Text, nullable=False, index=True),
    Column("since", BigInteger, nullable=False),
    Column("until", BigInteger, nullable=False),
    Column("severity", String(8), nullable=False),
    Column("document", Text, nullable=False),  # the finding's JSON, whole
)

RECORDS: dict[str, Table] = {
    "arc-checks": arc_checks,
    "splices": splices,
    "readings": readings,
    "service": service,
}
TIME_COLUMN: dict[str, str] = {
    "arc-checks": "checked_at",
    "splices": "spliced_at",
    "readings": "read_at",
    "service": "serviced_at",
}
RESULTS: tuple[Table, ...] = (
    result_check_days,
    result_streams,
    result_stream_days,
    result_subject_days,
    result_loss_cells,
    result_crew_days,
    result_exceptions,
    result_single_limits,
    result_arc_models,
    result_arc_points,
    result_worth,
    result_agreement,
    result_air_coverage,
    result_clock_stretches,
    result_prep,
    result_people,
    result_consistency,
    result_shares,
    result_person_days,
    result_shared_work,
    result_signatures,
    result_cleave_runs,
    result_sign_offs,
    result_blades,
    findings,
    analysis_run,
)
