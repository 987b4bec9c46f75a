"""Days on which records were changed or deleted since the last analysis."""

import sqlalchemy as sa
from alembic import op

from arcdrift.store.schema import trigger_statements

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table, and the triggers that fill it."""
    op.create_table(
        "changed_days",
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("day", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("kind", "day", name="pk_changed_days"),
    )
    for statement in trigger_statements(op.get_bind().dialect.name):
        op.execute(statement)
