"""Why a splice was an error, and what held its fibers."""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns; of splices imported before, neither is known until a file tells it."""
    op.add_column("splices", sa.Column("error_reason", sa.Text(), nullable=True))
    op.add_column("splices", sa.Column("holding", sa.String(length=8), nullable=True))
