"""Result tables about the whole analysis: its findings, its time and its input."""

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
    Column("case_id", String(12), index=True),  # NULL: its splices are to be revisited
    Column("document", Text, nullable=False),  # the finding as JSON
)

# what the analysis found of each case; see arcdrift.analysis.cases
result_cases = Table(
    "result_cases",
    result_metadata,
    Column("id", String(12), primary_key=True),
    Column("cause", String(40), nullable=False),
    Column("subject_type", String(16), nullable=False),
    Column("subject_id", Text, nullable=False),
    Column("document", Text, nullable=False),  # JSON, without what people said
)

analysis_run = Table(
    "analysis_run",
    result_metadata,
    Column("id", Integer, primary_key=True),
    Column("assessed_on", BigInteger, nullable=False),
    Column("now", BigInteger, nullable=False),  # the instant the results speak of
    Column("version", Text, nullable=False),
    Column("records_version", Text, nullable=False),  # see arcdrift.store.results.records_version
    Column("seconds", Float, nullable=False),
    Column("splices", BigInteger, nullable=False),
    Column("checks", BigInteger, nullable=False),
    Column("summary", Text, nullable=False),  # JSON: settings used, crew priors, exclusions
)

result_parts = Table(  # what the result tables hold, see arcdrift.store.results.result_parts
    "result_parts",
    result_metadata,
    Column("table_name", Text, primary_key=True),
    Column("part", String(10), primary_key=True),  # day; empty for tables without days
    Column("digest", String(32), nullable=False),  # of its rows
)

# how each result table was defined when it was made, see arcdrift.store.database.upgrade
result_definitions = Table(
    "result_definitions",
    MetaData(),
    Column("table_name", Text, primary_key=True),
    Column("sha256", String(64), nullable=False),  # of the statements that made it
)
