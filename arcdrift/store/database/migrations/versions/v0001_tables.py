"""Tables of records and annotations of the first release."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create every table and index."""
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
