"""Readings of weather stations: the station, and its dew point."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the two columns, and an index to find the readings of a station."""
    op.add_column("readings", sa.Column("station", sa.Text(), nullable=True))
    op.add_column("readings", sa.Column("dew_point_c", sa.Float(), nullable=True))
    op.create_index("ix_readings_station_read_at", "readings", ["station", "read_at"])
