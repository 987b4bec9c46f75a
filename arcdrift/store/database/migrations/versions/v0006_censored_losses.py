"""Losses that are only known to be below a limit."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the limit; it is missing where the loss is a number."""
    op.add_column("splices", sa.Column("loss_below_db", sa.Float(), nullable=True))
