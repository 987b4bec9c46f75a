"""Who sent a file in."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; of files imported before, nobody noted it."""
    op.add_column("imports", sa.Column("imported_by", sa.Text(), nullable=True))
