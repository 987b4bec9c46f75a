"""Result tables about the whole analysis: its findings, and when it was made of what."""

from sqlalchemy import BigInteger, Column, Float, Integer, MetaData, String, Table, Text

from arcdrift.store.schema.columns import result_metadata

findings = Table(
    "findings",
    result_metadata,
    Column("id", String(12), primary_key=True),
    Column("kind", String(24), nullable=False, index=True),
    Column("subject_type", String(16), nullable=False),
    Column("subject_id", Text, nullable=False, index=True),
    Column("since", BigInteger, nullable=False),
    Column("until", BigInteger, nullable=False),
    Column("severity", String(8), nullable=False),
    Column("document", Text, nullable=False),  # the finding's JSON, whole
)

analysis_run = Table(
    "analysis_run",
    result_metadata,
    Column("id", Integer, primary_key=True),
    Column("assessed_on", BigInteger, nullable=False),
    Column("now", BigInteger, nullable=False),  # the instant the results speak of
    Column("version", Text, nullable=False),
    Column("seconds", Float, nullable=False),
    Column("splices", BigInteger, nullable=False),
    Column("checks", BigInteger, nullable=False),
    Column("summary", Text, nullable=False),  # JSON: settings used, crew priors, exclusions
)

result_definitions = Table(  # see arcdrift.store.upgrade
    "result_definitions",
    MetaData(),
    Column("table_name", Text, primary_key=True),
    Column("sha256", String(64), nullable=False),  # of the DDL the result table was made with
)
