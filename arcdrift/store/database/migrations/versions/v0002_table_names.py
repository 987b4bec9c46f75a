"""Name two tables after what they hold: source rows, and imports in progress."""

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Rename the tables and their indexes; SQLite cannot rename their keys."""
    op.drop_index("ix_claims_import_id", "claims")
    op.drop_index("ix_claims_kind_record_id", "claims")
    op.rename_table("claims", "source_rows")
    op.create_index("ix_source_rows_import_id", "source_rows", ["import_id"])
    op.create_index("ix_source_rows_kind_record_id", "source_rows", ["kind", "record_id"])
    op.rename_table("begun", "imports_in_progress")
