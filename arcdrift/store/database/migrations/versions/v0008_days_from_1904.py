"""From when on the day numbers of an imported workbook count."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column."""
    op.add_column("imports", sa.Column("days_from_1904", sa.Boolean(), nullable=True))
