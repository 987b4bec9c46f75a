"""Result tables about technicians."""

from sqlalchemy import BigInteger, Boolean, Column, Float, Integer, String, Table, Text

from arcdrift.store.schema.columns import result_metadata

result_prep = Table(
    "result_prep",
    result_metadata,
    Column("id", Integer, primary_key=True),
    Column("document", Text, nullable=False),  # JSON: refusal, sets, swaps, promises, crew shares
)

result_people = Table(
    "result_people",
    result_metadata,
    Column("who", String(12), primary_key=True),  # technician, splicer or cleaver
    Column("name", Text, primary_key=True),
    # loss, angle, uneven, first_time or errors
    Column("measure", String(12), primary_key=True),
    Column("days", Integer, nullable=False),
    Column("splices", BigInteger, nullable=False),
    Column("connected", Integer, nullable=False),  # number of the comparable set, from 0
    Column("effect", Float),  # from the median of the set's others; NULL with a note
    Column("low", Float),  # 95 % interval
    Column("high", Float),
    Column("sure", Float),  # probability of more than the margin
    Column("note", Text),
)

result_consistency = Table(
    "result_consistency",
    result_metadata,
    Column("technician", Text, primary_key=True),
    Column("measure", String(8), primary_key=True),  # angle or loss
    Column("days", Integer, nullable=False),
    Column("splices", BigInteger, nullable=False),
    Column("freedom", Float, nullable=False),
    Column("sd", Float),
    Column("crew_sd", Float),  # of other technicians on the same splicers
    Column("ratio", Float),
    Column("low", Float),
    Column("high", Float),
    Column("sure", Float),
    Column("note", Text),
)

result_shares = Table(
    "result_shares",
    result_metadata,
    Column("technician", Text, primary_key=True),
    Column("measure", String(12), primary_key=True),  # first_time, errors or bad (cleaves)
    Column("n", BigInteger, nullable=False),
    Column("observed", BigInteger, nullable=False),
    Column("expected", Float, nullable=False),  # by other technicians on the same splicers
    Column("share", Float, nullable=False),  # crew's share x observed / expected
    Column("low", Float, nullable=False),  # funnel limits, 95 %
    Column("high", Float, nullable=False),
)

result_person_days = Table(
    "result_person_days",
    result_metadata,
    Column("technician", Text, primary_key=True),
    Column("day", String(10), primary_key=True),
    Column("splices", Integer, nullable=False),
    Column("loss_db", Float),  # capped mean
    Column("angle_deg", Float),  # geometric mean of both sides
    Column("angle_spread", Float),  # sd of the log angle
    Column("loss_level", Float),  # less splicer and program effects, log scale, median person 0
    Column("angle_level", Float),
    Column("freedom", Float, nullable=False),
    Column("bad", Integer, nullable=False),
    Column("places", Integer, nullable=False),
    Column("again", Integer, nullable=False),  # places that were not right first time
    Column("errors", Integer, nullable=False),
)

result_shared_work = Table(
    "result_shared_work",
    result_metadata,
    Column("technician", Text, primary_key=True),
    Column("splicer", Text, primary_key=True),
    Column("days", Integer, nullable=False),
    Column("splices", BigInteger, nullable=False),
)

result_hands_by_machine = Table(
    "result_hands_by_machine",
    result_metadata,
    Column("technician", Text, primary_key=True),
    Column("splicer", Text, primary_key=True),
    Column("cleaver", Text, primary_key=True),
    Column("measure", String(8), primary_key=True),  # loss or angle
    Column("days", Integer, nullable=False),
    Column("splices", BigInteger, nullable=False),
    Column("colleagues", Integer, nullable=False),  # with a figure on the same two machines
    Column("effect", Float),  # relative to the median of these; NULL where there are too few
    Column("low", Float),  # 95 % interval
    Column("high", Float),
)

result_signatures = Table(
    "result_signatures",
    result_metadata,
    Column("kind", String(16), primary_key=True),
    Column("subject_type", String(12), primary_key=True),
    Column("subject", Text, primary_key=True),
    Column("estimate", Float, nullable=False),
    Column("low", Float, nullable=False),
    Column("high", Float, nullable=False),
    Column("unit", Text, nullable=False),
    Column("splices", BigInteger, nullable=False),
    Column("days", Integer, nullable=False),
    Column("since", BigInteger, nullable=False),
    Column("until", BigInteger, nullable=False),
    Column("words", Text, nullable=False),
)

result_cleave_runs = Table(
    "result_cleave_runs",
    result_metadata,
    Column("splicer", Text, primary_key=True),
    Column("technician", Text, primary_key=True),
    Column("since", BigInteger, primary_key=True),
    Column("until", BigInteger, nullable=False),
    Column("length", Integer, nullable=False),
    Column("worst_deg", Float, nullable=False),
    Column("cleaver", Text),
    Column("blade_position", Text),
    Column("splices", Text, nullable=False),  # JSON: ids of splices
)

result_sign_offs = Table(
    "result_sign_offs",
    result_metadata,
    Column("technician", Text, primary_key=True),
    Column("attempt", Integer, primary_key=True),
    Column("verdict", String(16), nullable=False),
    Column("since", BigInteger, nullable=False),
    Column("until", BigInteger, nullable=False),
    Column("splices", Integer, nullable=False),
    Column("more", Integer, nullable=False),  # splices expected until a verdict
    # JSON: see arcdrift.analysis.people.sign_off.MeasureResult
    Column("measures", Text, nullable=False),
)

result_angle_days = Table(
    "result_angle_days",
    result_metadata,
    Column("subject_type", String(12), primary_key=True),  # cleaver, splicer or technician
    Column("subject", Text, primary_key=True),
    Column("day", String(10), primary_key=True),
    Column("n", BigInteger, nullable=False),
    Column("ratio", Float),  # angle of the day to the expected one; NULL without other evidence
    Column("low", Float),  # 95 % prediction limits of it
    Column("high", Float),
    Column("z", Float),
    Column("statistic", Float),  # EWMA; NULL where not judged
    Column("limit", Float),
    Column("alarm", Boolean, nullable=False),
    Column("open", Boolean, nullable=False),  # the rise has not ended
)

result_angle_shifts = Table(
    "result_angle_shifts",
    result_metadata,
    Column("subject_type", String(12), primary_key=True),
    Column("subject", Text, primary_key=True),
    Column("onset_day", String(10), primary_key=True),  # local days
    Column("earliest_day", String(10), nullable=False),  # confidence set of the onset
    Column("latest_day", String(10), nullable=False),
    Column("first_alarm_day", String(10), nullable=False),
    Column("last_day", String(10), nullable=False),
    Column("since", BigInteger, nullable=False),  # first splice of the rise
    Column("until", BigInteger, nullable=False),  # last splice of the rise
    Column("ended", Boolean, nullable=False),
    Column("ratio", Float, nullable=False),
    Column("low", Float, nullable=False),
    Column("high", Float, nullable=False),
    Column("latest_ratio", Float, nullable=False),
    Column("splices", BigInteger, nullable=False),
)
