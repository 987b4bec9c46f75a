"""Tables of accounts: who may sign in to the dashboard, and which sign-ins were ended."""

from sqlalchemy import BigInteger, Column, String, Table, Text

from arcdrift.store.schema.columns import id_column, metadata

users = Table(
    "users",
    metadata,
    id_column(),
    Column("name", Text, nullable=False),
    Column("name_key", Text, nullable=False, unique=True),  # the name in lower case
    Column("role", String(12), nullable=False),  # technician / trainer / lead
    Column("technician", Text),  # name in the logs, of a user who is a technician
    Column("password_hash", Text, nullable=False),  # Argon2id with its parameters and salt
    Column("session_key", String(43), nullable=False),  # a new one ends all sign-ins of the user
    Column("created_at", BigInteger, nullable=False),
    Column("changed_at", BigInteger, nullable=False),
    sqlite_autoincrement=True,
)

# sign-ins that were ended before they expired; a row is dropped once its sign-in has expired
ended_sign_ins = Table(
    "ended_sign_ins",
    metadata,
    Column("sign_in", String(43), primary_key=True),
    Column("expires_at", BigInteger, nullable=False, index=True),
)
