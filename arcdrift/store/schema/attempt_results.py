"""Result tables about errors, how fiber was held, haste, and splices made again."""

from sqlalchemy import BigInteger, Column, Float, Integer, String, Table, Text

from arcdrift.store.schema.columns import result_metadata

result_error_hints = Table(
    "result_error_hints",
    result_metadata,
    Column("kind", String(12), primary_key=True),  # position, cleave, dirt, alignment or arc
    Column("subject_type", String(12), primary_key=True),
    Column("subject", Text, primary_key=True),
    Column("detail", Text, primary_key=True),  # position of a blade, day at a site, or empty
    Column("verdict", String(16), nullable=False),  # points to, or not separable
    Column("errors", BigInteger, nullable=False),
    Column("attempts", BigInteger, nullable=False),
    Column("expected", Float),  # errors, in the same hands elsewhere
    Column("ratio", Float),
    Column("low", Float),  # 95 % interval
    Column("high", Float),
    Column("evidence", Integer, nullable=False),  # people, or machines, in whose work it shows
    Column("apart_type", String(12), nullable=False),  # what it cannot be told apart from
    Column("apart_from", Text, nullable=False),
    Column("since", BigInteger, nullable=False),
    Column("until", BigInteger, nullable=False),
)

result_error_shares = Table(
    "result_error_shares",
    result_metadata,
    Column("subject_type", String(12), primary_key=True),  # splicer, technician, cleaver or site
    Column("subject", Text, primary_key=True),
    Column("class", String(16), primary_key=True),
    Column("errors", BigInteger, nullable=False),
    Column("attempts", BigInteger, nullable=False),
    Column("low", Float, nullable=False),  # 95 % interval of the share
    Column("high", Float, nullable=False),
    Column("other_errors", BigInteger, nullable=False),
    Column("other_attempts", BigInteger, nullable=False),
)

result_error_splices = Table(
    "result_error_splices",
    result_metadata,
    Column("splice_id", BigInteger, primary_key=True),
    Column("spliced_at", BigInteger, nullable=False),
    Column("splicer", Text, nullable=False),
    Column("technician", Text),
    Column("cleaver", Text),
    Column("blade_position", Text),
    Column("program", Text),
    Column("holding", Text),
    Column("site", Text),
    Column("day", String(10), nullable=False),
    Column("class", String(16), nullable=False),
)

result_holding = Table(
    "result_holding",
    result_metadata,
    Column("subject_type", String(12), primary_key=True),  # technician, or crew for all together
    Column("subject", Text, primary_key=True),
    Column("measure", String(8), primary_key=True),  # errors, loss, angle or spread
    Column("clamp", Float),
    Column("holder", Float),
    Column("ratio", Float),  # holder to clamp in the same work
    Column("low", Float),  # 95 % interval
    Column("high", Float),
    Column("clamp_n", BigInteger, nullable=False),
    Column("holder_n", BigInteger, nullable=False),
    Column("days", Integer, nullable=False),
)

result_haste = Table(
    "result_haste",
    result_metadata,
    Column("technician", Text, primary_key=True),
    Column("measure", String(8), primary_key=True),  # again, loss or angle
    Column("fast", Float),
    Column("slow", Float),
    Column("ratio", Float),  # fast to slow in the same work
    Column("low", Float),  # 95 % interval
    Column("high", Float),
    Column("fast_n", BigInteger, nullable=False),
    Column("slow_n", BigInteger, nullable=False),
    Column("days", Integer, nullable=False),
    Column("fast_min", Float, nullable=False),  # minutes between places
    Column("slow_min", Float, nullable=False),
)

result_made_again = Table(
    "result_made_again",
    result_metadata,
    Column("splicer", Text, primary_key=True),
    Column("day", String(10), primary_key=True),
    Column("cause", String(16), primary_key=True),  # as in attempts/made_again.py
    Column("attempts", BigInteger, nullable=False),
    Column("minutes", Float, nullable=False),
    Column("untimed", BigInteger, nullable=False),  # attempts whose minutes are not known
    Column("arcs", Float, nullable=False),
    Column("uncounted", BigInteger, nullable=False),  # attempts whose arcs are not known
)
