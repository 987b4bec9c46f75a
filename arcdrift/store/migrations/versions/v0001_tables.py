"""All tables of the first release."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create every table and index."""
    op.create_table(
        "analysis_run",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("assessed_on", sa.BigInteger(), nullable=False),
        sa.Column("now", sa.BigInteger(), nullable=False),
        sa.Column("version", sa.Text(), nullable=False),
        sa.Column("seconds", sa.Float(), nullable=False),
        sa.Column("splices", sa.BigInteger(), nullable=False),
        sa.Column("checks", sa.BigInteger(), nullable=False),
        sa.Column("summary", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_analysis_run")),
    )
    op.create_table(
        "clock_shifts",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("starts_at", sa.BigInteger(), nullable=False),
        sa.Column("ends_at", sa.BigInteger(), nullable=False),
        sa.Column("first_number", sa.Float(), nullable=True),
        sa.Column("end_number", sa.Float(), nullable=True),
        sa.Column("first_arc", sa.Float(), nullable=True),
        sa.Column("end_arc", sa.Float(), nullable=True),
        sa.Column("shift_s", sa.BigInteger(), nullable=False),
        sa.Column("said_by", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.BigInteger(), nullable=False),
        sa.Column("undone_at", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_clock_shifts")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_clock_shifts_splicer"), "clock_shifts", ["splicer"], unique=False)
    op.create_table(
        "result_clock_stretches",
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("starts_at", sa.BigInteger(), nullable=False),
        sa.Column("ends_at", sa.BigInteger(), nullable=False),
        sa.Column("first_number", sa.Float(), nullable=True),
        sa.Column("end_number", sa.Float(), nullable=True),
        sa.Column("first_arc", sa.Float(), nullable=True),
        sa.Column("end_arc", sa.Float(), nullable=True),
        sa.Column("shift_h", sa.Float(), nullable=True),
        sa.Column("since", sa.BigInteger(), nullable=False),
        sa.Column("until", sa.BigInteger(), nullable=False),
        sa.Column("splices", sa.Integer(), nullable=False),
        sa.Column("checks", sa.Integer(), nullable=False),
        sa.Column("days", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("splicer", "starts_at", name=op.f("pk_result_clock_stretches")),
    )
    op.create_table(
        "begun",
        sa.Column("token", sa.String(length=16), nullable=False),
        sa.Column("file_name", sa.Text(), nullable=False),
        sa.Column("started_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("token", name=op.f("pk_begun")),
    )
    op.create_table(
        "watched",
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("modified_ns", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=True),
        sa.Column("said", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("path", name=op.f("pk_watched")),
    )
    op.create_index(op.f("ix_watched_sha256"), "watched", ["sha256"], unique=False)
    op.create_table(
        "findings",
        sa.Column("id", sa.String(length=12), nullable=False),
        sa.Column("kind", sa.String(length=24), nullable=False),
        sa.Column("subject_type", sa.String(length=16), nullable=False),
        sa.Column("subject_id", sa.Text(), nullable=False),
        sa.Column("since", sa.BigInteger(), nullable=False),
        sa.Column("until", sa.BigInteger(), nullable=False),
        sa.Column("severity", sa.String(length=8), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_findings")),
    )
    op.create_index(op.f("ix_findings_kind"), "findings", ["kind"], unique=False)
    op.create_index(op.f("ix_findings_subject_id"), "findings", ["subject_id"], unique=False)
    op.create_table(
        "imports",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("file_name", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("layout", sa.Text(), nullable=True),
        sa.Column("header", sa.Text(), nullable=True),
        sa.Column("given", sa.Text(), nullable=True),
        sa.Column("to_the_second", sa.Boolean(), nullable=True),
        sa.Column("started_at", sa.BigInteger(), nullable=False),
        sa.Column("seconds", sa.Float(), nullable=False),
        sa.Column("lines", sa.BigInteger(), nullable=False),
        sa.Column("other_lines", sa.BigInteger(), nullable=False),
        sa.Column("rows", sa.BigInteger(), nullable=False),
        sa.Column("accepted", sa.BigInteger(), nullable=False),
        sa.Column("already_stored", sa.BigInteger(), nullable=False),
        sa.Column("conflicting", sa.BigInteger(), nullable=False),
        sa.Column("quarantined", sa.BigInteger(), nullable=False),
        sa.Column("undone_at", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_imports")),
    )
    op.create_index(op.f("ix_imports_sha256"), "imports", ["sha256"], unique=False)
    op.create_table(
        "result_air_coverage",
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("rows", sa.BigInteger(), nullable=False),
        sa.Column("with_air", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("kind", "splicer", name=op.f("pk_result_air_coverage")),
    )
    op.create_table(
        "result_arc_models",
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("checks", sa.Integer(), nullable=False),
        sa.Column("used", sa.Integer(), nullable=False),
        sa.Column("refusal", sa.Text(), nullable=True),
        sa.Column("model", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("splicer", name=op.f("pk_result_arc_models")),
    )
    op.create_table(
        "result_agreement",
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("program", sa.Text(), nullable=False),
        sa.Column("pairs", sa.Integer(), nullable=False),
        sa.Column("bias_db", sa.Float(), nullable=True),
        sa.Column("low_db", sa.Float(), nullable=True),
        sa.Column("high_db", sa.Float(), nullable=True),
        sa.Column("sd_db", sa.Float(), nullable=True),
        sa.Column("lower_db", sa.Float(), nullable=True),
        sa.Column("upper_db", sa.Float(), nullable=True),
        sa.Column("since", sa.BigInteger(), nullable=False),
        sa.Column("until", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("splicer", "program", name=op.f("pk_result_agreement")),
    )
    op.create_table(
        "result_worth",
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("program_class", sa.String(length=16), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("splicers", sa.Integer(), nullable=False),
        sa.Column("splices", sa.BigInteger(), nullable=False),
        sa.Column("days", sa.Integer(), nullable=False),
        sa.Column("seen", sa.Float(), nullable=False),
        sa.Column("per_square", sa.Float(), nullable=True),
        sa.Column("low", sa.Float(), nullable=True),
        sa.Column("high", sa.Float(), nullable=True),
        sa.Column("odd_shape", sa.Boolean(), nullable=False),
        sa.Column("bins", sa.Text(), nullable=False),
        sa.Column("refusal", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("splicer", "program_class", name=op.f("pk_result_worth")),
    )
    op.create_table(
        "result_arc_points",
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("checked_at", sa.BigInteger(), nullable=False),
        sa.Column("point", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=True),
        sa.Column("epoch", sa.Integer(), nullable=False),
        sa.Column("arc_setting", sa.Float(), nullable=True),
        sa.Column("arcs", sa.Float(), nullable=True),
        sa.Column("temperature_c", sa.Float(), nullable=True),
        sa.Column("station_pressure_hpa", sa.Float(), nullable=True),
        sa.Column("humidity_pct", sa.Float(), nullable=True),
        sa.Column("air_density", sa.Float(), nullable=True),
        sa.Column("vapor_pressure", sa.Float(), nullable=True),
        sa.Column("air_source", sa.Text(), nullable=True),
        sa.Column("air_age_min", sa.Float(), nullable=True),
        sa.Column("fitted", sa.Float(), nullable=True),
        sa.Column("expected", sa.Float(), nullable=True),
        sa.Column("expected_low", sa.Float(), nullable=True),
        sa.Column("expected_high", sa.Float(), nullable=True),
        sa.Column("z", sa.Float(), nullable=True),
        sa.Column("ewma", sa.Float(), nullable=True),
        sa.Column("limit", sa.Float(), nullable=True),
        sa.Column("alarm", sa.Boolean(), nullable=False),
        sa.Column("leverage", sa.Float(), nullable=True),
        sa.Column("studentized", sa.Float(), nullable=True),
        sa.Column("dffits", sa.Float(), nullable=True),
        sa.Column("cooks_distance", sa.Float(), nullable=True),
        sa.Column("air_change", sa.Float(), nullable=True),
        sa.Column("excluded", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint(
            "splicer", "checked_at", "point", name=op.f("pk_result_arc_points")
        ),
    )
    op.create_table(
        "result_check_days",
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("site", sa.Text(), nullable=True),
        sa.Column("status", sa.String(length=12), nullable=False),
        sa.Column("checked_at", sa.BigInteger(), nullable=True),
        sa.Column("first_splice_at", sa.BigInteger(), nullable=True),
        sa.Column("splices", sa.Integer(), nullable=False),
        sa.Column("splices_before_check", sa.Integer(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("failed_attempts", sa.Integer(), nullable=False),
        sa.Column("splices_after_failure", sa.Integer(), nullable=False),
        sa.Column("technician", sa.Text(), nullable=True),
        sa.Column("day_over", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("splicer", "day", name=op.f("pk_result_check_days")),
    )
    op.create_table(
        "result_crew_days",
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("splices", sa.Integer(), nullable=False),
        sa.Column("mean_db", sa.Float(), nullable=True),
        sa.Column("median_db", sa.Float(), nullable=True),
        sa.Column("p95_db", sa.Float(), nullable=True),
        sa.Column("over_010", sa.Integer(), nullable=False),
        sa.Column("redo", sa.Integer(), nullable=False),
        sa.Column("errors", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("day", name=op.f("pk_result_crew_days")),
    )
    op.create_table(
        "result_exceptions",
        sa.Column("splice_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("program", sa.Text(), nullable=False),
        sa.Column("technician", sa.Text(), nullable=True),
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("spliced_at", sa.BigInteger(), nullable=False),
        sa.Column("loss_db", sa.Float(), nullable=False),
        sa.Column("limit_db", sa.Float(), nullable=False),
        sa.Column("location", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("splice_id", name=op.f("pk_result_exceptions")),
    )
    op.create_index(
        op.f("ix_result_exceptions_splicer"), "result_exceptions", ["splicer"], unique=False
    )
    op.create_table(
        "result_single_limits",
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("program", sa.Text(), nullable=False),
        sa.Column("limit_db", sa.Float(), nullable=True),
        sa.Column("splices", sa.Integer(), nullable=False),
        sa.Column("last_day", sa.String(length=10), nullable=False),
        sa.Column("judged", sa.Integer(), nullable=False),
        sa.Column("exceptions", sa.Integer(), nullable=False),
        sa.Column("refusal", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("splicer", "program", name=op.f("pk_result_single_limits")),
    )
    op.create_table(
        "result_stream_days",
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("program", sa.Text(), nullable=False),
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("splices", sa.Integer(), nullable=False),
        sa.Column("mean_db", sa.Float(), nullable=False),
        sa.Column("capped_mean_db", sa.Float(), nullable=False),
        sa.Column("expected_db", sa.Float(), nullable=True),
        sa.Column("low_db", sa.Float(), nullable=True),
        sa.Column("high_db", sa.Float(), nullable=True),
        sa.Column("z", sa.Float(), nullable=True),
        sa.Column("ewma_up", sa.Float(), nullable=True),
        sa.Column("ewma_down", sa.Float(), nullable=True),
        sa.Column("limit_up", sa.Float(), nullable=True),
        sa.Column("limit_down", sa.Float(), nullable=True),
        sa.Column("alarm", sa.String(length=5), nullable=False),
        sa.Column("segment", sa.Integer(), nullable=False),
        sa.Column("learning", sa.Boolean(), nullable=False),
        sa.Column("site", sa.Text(), nullable=True),
        sa.Column("total", sa.Float(), nullable=False),
        sa.Column("capped", sa.Float(), nullable=False),
        sa.Column("capped_squares", sa.Float(), nullable=False),
        sa.Column("cap", sa.Float(), nullable=True),
        sa.Column("crew_effect", sa.Float(), nullable=True),
        sa.Column("shared_effect", sa.Float(), nullable=True),
        sa.Column("excluded", sa.Boolean(), nullable=False),
        sa.Column("frozen", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("splicer", "program", "day", name=op.f("pk_result_stream_days")),
    )
    op.create_table(
        "result_subject_days",
        sa.Column("measure", sa.String(length=8), nullable=False),
        sa.Column("subject_type", sa.String(length=12), nullable=False),
        sa.Column("subject_id", sa.Text(), nullable=False),
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("value", sa.Float(), nullable=False),
        sa.Column("expected", sa.Float(), nullable=True),
        sa.Column("statistic", sa.Float(), nullable=True),
        sa.Column("limit", sa.Float(), nullable=True),
        sa.Column("alarm", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint(
            "measure", "subject_type", "subject_id", "day", name=op.f("pk_result_subject_days")
        ),
    )
    op.create_table(
        "result_loss_cells",
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("program", sa.Text(), nullable=False),
        sa.Column("technician", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("capped", sa.Float(), nullable=False),
        sa.Column("capped_squares", sa.Float(), nullable=False),
        sa.Column("made", sa.Integer(), nullable=False),
        sa.Column("redo", sa.Integer(), nullable=False),
        sa.Column("dirty", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint(
            "splicer",
            "program",
            "technician",
            "site",
            "day",
            name=op.f("pk_result_loss_cells"),
        ),
    )
    op.create_table(
        "baseline_marks",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("action", sa.String(length=8), nullable=False),
        sa.Column("splicer", sa.Text(), nullable=True),
        sa.Column("program", sa.Text(), nullable=True),
        sa.Column("first_day", sa.String(length=10), nullable=False),
        sa.Column("last_day", sa.String(length=10), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("said_by", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.BigInteger(), nullable=False),
        sa.Column("undone_at", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_baseline_marks")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "result_streams",
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("program", sa.Text(), nullable=False),
        sa.Column("program_class", sa.String(length=16), nullable=False),
        sa.Column("site", sa.Text(), nullable=True),
        sa.Column("first_day", sa.String(length=10), nullable=False),
        sa.Column("last_day", sa.String(length=10), nullable=False),
        sa.Column("days", sa.Integer(), nullable=False),
        sa.Column("splices", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("segment_start", sa.String(length=10), nullable=True),
        sa.Column("segment_days", sa.Integer(), nullable=False),
        sa.Column("baseline_db", sa.Float(), nullable=True),
        sa.Column("recent_db", sa.Float(), nullable=True),
        sa.Column("cap_db", sa.Float(), nullable=True),
        sa.Column("sd_within", sa.Float(), nullable=True),
        sa.Column("sd_between", sa.Float(), nullable=True),
        sa.Column("alarms_up", sa.Integer(), nullable=False),
        sa.Column("alarms_down", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("splicer", "program", name=op.f("pk_result_streams")),
    )
    op.create_table(
        "coaching",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("technician", sa.Text(), nullable=False),
        sa.Column("held_on", sa.String(length=10), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("said_by", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.BigInteger(), nullable=False),
        sa.Column("undone_at", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_coaching")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "result_prep",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_result_prep")),
    )
    op.create_table(
        "result_people",
        sa.Column("who", sa.String(length=12), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("measure", sa.String(length=8), nullable=False),
        sa.Column("days", sa.Integer(), nullable=False),
        sa.Column("splices", sa.BigInteger(), nullable=False),
        sa.Column("connected", sa.Integer(), nullable=False),
        sa.Column("effect", sa.Float(), nullable=True),
        sa.Column("low", sa.Float(), nullable=True),
        sa.Column("high", sa.Float(), nullable=True),
        sa.Column("sure", sa.Float(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("who", "name", "measure", name=op.f("pk_result_people")),
    )
    op.create_table(
        "result_consistency",
        sa.Column("technician", sa.Text(), nullable=False),
        sa.Column("measure", sa.String(length=8), nullable=False),
        sa.Column("days", sa.Integer(), nullable=False),
        sa.Column("splices", sa.BigInteger(), nullable=False),
        sa.Column("freedom", sa.Float(), nullable=False),
        sa.Column("sd", sa.Float(), nullable=True),
        sa.Column("crew_sd", sa.Float(), nullable=True),
        sa.Column("ratio", sa.Float(), nullable=True),
        sa.Column("low", sa.Float(), nullable=True),
        sa.Column("high", sa.Float(), nullable=True),
        sa.Column("sure", sa.Float(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("technician", "measure", name=op.f("pk_result_consistency")),
    )
    op.create_table(
        "result_shares",
        sa.Column("technician", sa.Text(), nullable=False),
        sa.Column("measure", sa.String(length=8), nullable=False),
        sa.Column("n", sa.BigInteger(), nullable=False),
        sa.Column("observed", sa.BigInteger(), nullable=False),
        sa.Column("expected", sa.Float(), nullable=False),
        sa.Column("share", sa.Float(), nullable=False),
        sa.Column("low", sa.Float(), nullable=False),
        sa.Column("high", sa.Float(), nullable=False),
        sa.PrimaryKeyConstraint("technician", "measure", name=op.f("pk_result_shares")),
    )
    op.create_table(
        "result_person_days",
        sa.Column("technician", sa.Text(), nullable=False),
        sa.Column("day", sa.String(length=10), nullable=False),
        sa.Column("splices", sa.Integer(), nullable=False),
        sa.Column("loss_db", sa.Float(), nullable=True),
        sa.Column("angle_deg", sa.Float(), nullable=True),
        sa.Column("angle_spread", sa.Float(), nullable=True),
        sa.Column("loss_level", sa.Float(), nullable=True),
        sa.Column("angle_level", sa.Float(), nullable=True),
        sa.Column("freedom", sa.Float(), nullable=False),
        sa.Column("bad", sa.Integer(), nullable=False),
        sa.Column("redo", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("technician", "day", name=op.f("pk_result_person_days")),
    )
    op.create_table(
        "result_shared_work",
        sa.Column("technician", sa.Text(), nullable=False),
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("days", sa.Integer(), nullable=False),
        sa.Column("splices", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("technician", "splicer", name=op.f("pk_result_shared_work")),
    )
    op.create_table(
        "result_signatures",
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("subject_type", sa.String(length=12), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("estimate", sa.Float(), nullable=False),
        sa.Column("low", sa.Float(), nullable=False),
        sa.Column("high", sa.Float(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("splices", sa.BigInteger(), nullable=False),
        sa.Column("days", sa.Integer(), nullable=False),
        sa.Column("since", sa.BigInteger(), nullable=False),
        sa.Column("until", sa.BigInteger(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint(
            "kind", "subject_type", "subject", name=op.f("pk_result_signatures")
        ),
    )
    op.create_table(
        "result_cleave_runs",
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("technician", sa.Text(), nullable=False),
        sa.Column("since", sa.BigInteger(), nullable=False),
        sa.Column("until", sa.BigInteger(), nullable=False),
        sa.Column("length", sa.Integer(), nullable=False),
        sa.Column("worst_deg", sa.Float(), nullable=False),
        sa.Column("cleaver", sa.Text(), nullable=True),
        sa.Column("blade_position", sa.Text(), nullable=True),
        sa.Column("splices", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint(
            "splicer", "technician", "since", name=op.f("pk_result_cleave_runs")
        ),
    )
    op.create_table(
        "result_sign_offs",
        sa.Column("technician", sa.Text(), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("verdict", sa.String(length=16), nullable=False),
        sa.Column("since", sa.BigInteger(), nullable=False),
        sa.Column("until", sa.BigInteger(), nullable=False),
        sa.Column("splices", sa.Integer(), nullable=False),
        sa.Column("more", sa.Integer(), nullable=False),
        sa.Column("measures", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("technician", "attempt", name=op.f("pk_result_sign_offs")),
    )
    op.create_table(
        "result_blades",
        sa.Column("cleaver", sa.Text(), nullable=False),
        sa.Column("splicers", sa.Text(), nullable=False),
        sa.Column("position", sa.Text(), nullable=True),
        sa.Column("cleaves", sa.Float(), nullable=True),
        sa.Column("cleaves_per_position", sa.Integer(), nullable=False),
        sa.Column("since", sa.BigInteger(), nullable=True),
        sa.Column("until", sa.BigInteger(), nullable=False),
        sa.Column("cleaves_a_day", sa.Float(), nullable=False),
        sa.Column("days_left", sa.Float(), nullable=True),
        sa.Column("worn_positions", sa.Integer(), nullable=False),
        sa.Column("positions_used", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("cleaver", name=op.f("pk_result_blades")),
    )
    op.create_index(op.f("ix_coaching_technician"), "coaching", ["technician"], unique=False)
    op.create_table(
        "arc_checks",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=False),
        sa.Column("line", sa.BigInteger(), nullable=False),
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("checked_at", sa.BigInteger(), nullable=False),
        sa.Column("outcome", sa.String(length=8), nullable=False),
        sa.Column("arc_setting", sa.Float(), nullable=True),
        sa.Column("arc_count", sa.Float(), nullable=True),
        sa.Column("technician", sa.Text(), nullable=True),
        sa.Column("site", sa.Text(), nullable=True),
        sa.Column("melt_back_um", sa.Float(), nullable=True),
        sa.Column("temperature_c", sa.Float(), nullable=True),
        sa.Column("pressure_hpa", sa.Float(), nullable=True),
        sa.Column("humidity_pct", sa.Float(), nullable=True),
        sa.Column("remark", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["import_id"], ["imports.id"], name=op.f("fk_arc_checks_import_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_arc_checks")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_arc_checks_import_id"), "arc_checks", ["import_id"], unique=False)
    op.create_index(
        op.f("ix_arc_checks_splicer_checked_at"),
        "arc_checks",
        ["splicer", "checked_at"],
        unique=False,
    )
    op.create_table(
        "claims",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=False),
        sa.Column("line", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("record_id", sa.BigInteger(), nullable=False),
        sa.Column("record", sa.Text(), nullable=True),
        sa.Column("raw", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["import_id"], ["imports.id"], name=op.f("fk_claims_import_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_claims")),
    )
    op.create_index(op.f("ix_claims_import_id"), "claims", ["import_id"], unique=False)
    op.create_index(op.f("ix_claims_kind_record_id"), "claims", ["kind", "record_id"], unique=False)
    op.create_table(
        "conflicts",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=False),
        sa.Column("line", sa.BigInteger(), nullable=False),
        sa.Column("stored_id", sa.BigInteger(), nullable=False),
        sa.Column("differs", sa.Text(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.Column("raw", sa.Text(), nullable=False),
        sa.Column("kept", sa.String(length=3), nullable=True),
        sa.Column("decided_at", sa.BigInteger(), nullable=True),
        sa.Column("decided_by", sa.Text(), nullable=True),
        sa.Column("decided_against", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["import_id"], ["imports.id"], name=op.f("fk_conflicts_import_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_conflicts")),
    )
    op.create_index(op.f("ix_conflicts_import_id"), "conflicts", ["import_id"], unique=False)
    op.create_table(
        "quarantine",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=False),
        sa.Column("line", sa.BigInteger(), nullable=False),
        sa.Column("last_line", sa.BigInteger(), nullable=False),
        sa.Column("raw", sa.Text(), nullable=False),
        sa.Column("column", sa.Text(), nullable=True),
        sa.Column("code", sa.String(length=32), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("closed_by", sa.Integer(), nullable=True),
        sa.Column("closed_at", sa.BigInteger(), nullable=True),
        sa.Column("closed_who", sa.Text(), nullable=True),
        sa.Column("closed_why", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["import_id"], ["imports.id"], name=op.f("fk_quarantine_import_id")
        ),
        sa.ForeignKeyConstraint(
            ["closed_by"], ["imports.id"], name=op.f("fk_quarantine_closed_by")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_quarantine")),
    )
    op.create_index(op.f("ix_quarantine_import_id"), "quarantine", ["import_id"], unique=False)
    op.create_index(op.f("ix_quarantine_closed_by"), "quarantine", ["closed_by"], unique=False)
    op.create_table(
        "readings",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=False),
        sa.Column("line", sa.BigInteger(), nullable=False),
        sa.Column("read_at", sa.BigInteger(), nullable=False),
        sa.Column("site", sa.Text(), nullable=True),
        sa.Column("splicer", sa.Text(), nullable=True),
        sa.Column("temperature_c", sa.Float(), nullable=True),
        sa.Column("pressure_hpa", sa.Float(), nullable=True),
        sa.Column("humidity_pct", sa.Float(), nullable=True),
        sa.Column("pressure_reference", sa.String(length=10), nullable=True),
        sa.Column("source", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["import_id"], ["imports.id"], name=op.f("fk_readings_import_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_readings")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_readings_import_id"), "readings", ["import_id"], unique=False)
    op.create_index(op.f("ix_readings_site_read_at"), "readings", ["site", "read_at"], unique=False)
    op.create_index(
        op.f("ix_readings_splicer_read_at"), "readings", ["splicer", "read_at"], unique=False
    )
    op.create_table(
        "service",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=False),
        sa.Column("line", sa.BigInteger(), nullable=False),
        sa.Column("asset", sa.Text(), nullable=False),
        sa.Column("serviced_at", sa.BigInteger(), nullable=False),
        sa.Column("action", sa.String(length=24), nullable=False),
        sa.Column("remark", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["import_id"], ["imports.id"], name=op.f("fk_service_import_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_service")),
        sqlite_autoincrement=True,
    )
    op.create_index(
        op.f("ix_service_asset_serviced_at"), "service", ["asset", "serviced_at"], unique=False
    )
    op.create_index(op.f("ix_service_import_id"), "service", ["import_id"], unique=False)
    op.create_table(
        "splices",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=False),
        sa.Column("line", sa.BigInteger(), nullable=False),
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("spliced_at", sa.BigInteger(), nullable=False),
        sa.Column("loss_db", sa.Float(), nullable=True),
        sa.Column("outcome", sa.String(length=8), nullable=False),
        sa.Column("technician", sa.Text(), nullable=True),
        sa.Column("program", sa.Text(), nullable=True),
        sa.Column("fiber_a", sa.Text(), nullable=True),
        sa.Column("fiber_b", sa.Text(), nullable=True),
        sa.Column("cleave_left_deg", sa.Float(), nullable=True),
        sa.Column("cleave_right_deg", sa.Float(), nullable=True),
        sa.Column("core_offset_um", sa.Float(), nullable=True),
        sa.Column("arc_count", sa.Float(), nullable=True),
        sa.Column("splice_number", sa.Float(), nullable=True),
        sa.Column("cleaver", sa.Text(), nullable=True),
        sa.Column("blade_position", sa.Text(), nullable=True),
        sa.Column("site", sa.Text(), nullable=True),
        sa.Column("location", sa.Text(), nullable=True),
        sa.Column("purpose", sa.String(length=12), nullable=False),
        sa.Column("sleeve_mm", sa.Float(), nullable=True),
        sa.Column("heater_program", sa.Text(), nullable=True),
        sa.Column("measured_ab_db", sa.Float(), nullable=True),
        sa.Column("measured_ba_db", sa.Float(), nullable=True),
        sa.Column("temperature_c", sa.Float(), nullable=True),
        sa.Column("pressure_hpa", sa.Float(), nullable=True),
        sa.Column("humidity_pct", sa.Float(), nullable=True),
        sa.Column("remark", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["import_id"], ["imports.id"], name=op.f("fk_splices_import_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_splices")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_splices_import_id"), "splices", ["import_id"], unique=False)
    op.create_index(
        op.f("ix_splices_splicer_spliced_at"), "splices", ["splicer", "spliced_at"], unique=False
    )
