"""What tells that a file was imported before with the same settings."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns; files imported so far are read row by row when they come again."""
    op.add_column("imports", sa.Column("line_counts", sa.Text(), nullable=True))
    op.add_column("imports", sa.Column("settings_sha256", sa.String(64), nullable=True))
    op.add_column("imports", sa.Column("judged_at", sa.BigInteger(), nullable=True))
    op.add_column("imports", sa.Column("same_as", sa.Integer(), nullable=True))
