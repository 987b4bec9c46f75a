"""What people wrote down by hand, and which logs have dates without a time of day."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table and the column."""
    number = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "written",
        sa.Column("id", number, nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("happened_at", sa.BigInteger(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.Column("written_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["import_id"], ["imports.id"], name="fk_written_import_id"),
        sa.PrimaryKeyConstraint("id", name="pk_written"),
    )
    op.create_index("ix_written_import_id", "written", ["import_id"])
    op.create_index("ix_written_subject_happened_at", "written", ["subject", "happened_at"])
    op.add_column("imports", sa.Column("dates_alone", sa.Boolean(), nullable=True))
