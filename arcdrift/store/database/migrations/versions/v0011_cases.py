"""Cases that keep their id, what people say about them, and splices that were dealt with."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the tables."""
    op.create_table(
        "cases",
        sa.Column("id", sa.String(12), nullable=False),
        sa.Column("keys", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("began", sa.BigInteger(), nullable=False),
        sa.Column("until", sa.BigInteger(), nullable=False),
        sa.Column("first_seen", sa.BigInteger(), nullable=False),
        sa.Column("recorded_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_cases"),
    )
    number = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "case_statements",
        sa.Column("id", number, nullable=False),
        sa.Column("case_id", sa.String(12), nullable=False),
        sa.Column("action", sa.String(8), nullable=False),
        sa.Column("how", sa.String(16), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("acted_on", sa.BigInteger(), nullable=True),
        sa.Column("evidence_until", sa.BigInteger(), nullable=False),
        sa.Column("said_by", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["case_id"], ["cases.id"], name="fk_case_statements_case_id"),
        sa.PrimaryKeyConstraint("id", name="pk_case_statements"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_case_statements_case_id", "case_statements", ["case_id"])
    op.create_table(
        "revisited_splices",
        sa.Column("id", number, nullable=False),
        sa.Column("splice_id", sa.BigInteger(), nullable=False),
        sa.Column("splicer", sa.Text(), nullable=False),
        sa.Column("spliced_at", sa.BigInteger(), nullable=False),
        sa.Column("location", sa.Text(), nullable=True),
        sa.Column("loss_db", sa.Float(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("said_by", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.BigInteger(), nullable=False),
        sa.Column("undone_at", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_revisited_splices"),
        sqlite_autoincrement=True,
    )
