"""Users who may sign in, and the sign-ins that were ended."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the tables."""
    op.create_table(
        "users",
        sa.Column(
            "id",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            nullable=False,
        ),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("role", sa.String(12), nullable=False),
        sa.Column("technician", sa.Text(), nullable=True),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("session_key", sa.String(43), nullable=False),
        sa.Column("created_at", sa.BigInteger(), nullable=False),
        sa.Column("changed_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_users"),
        sa.UniqueConstraint("name_key", name="uq_users_name_key"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "ended_sign_ins",
        sa.Column("sign_in", sa.String(43), nullable=False),
        sa.Column("expires_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("sign_in", name="pk_ended_sign_ins"),
    )
    op.create_index("ix_ended_sign_ins_expires_at", "ended_sign_ins", ["expires_at"])
