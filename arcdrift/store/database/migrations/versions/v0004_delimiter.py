"""The character between the cells of an imported file."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; it is not known for the files imported so far."""
    op.add_column("imports", sa.Column("delimiter", sa.String(1), nullable=True))
