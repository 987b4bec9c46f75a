"""Messages that told readers what was new."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "digest_messages",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("recipient", sa.String(32), nullable=False),
        sa.Column("reader", sa.Text(), nullable=False),
        sa.Column("day", sa.String(10), nullable=False),
        sa.Column("state", sa.String(8), nullable=False),
        sa.Column("token", sa.String(32), nullable=False),
        sa.Column("since", sa.BigInteger(), nullable=False),
        sa.Column("begun_at", sa.BigInteger(), nullable=False),
        sa.Column("ended_at", sa.BigInteger(), nullable=True),
        sa.Column("told", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_digest_messages"),
        sa.UniqueConstraint("recipient", "day", name="uq_digest_messages_recipient"),
        sqlite_autoincrement=True,
    )
