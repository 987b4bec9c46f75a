"""Result tables about splice losses."""

from sqlalchemy import BigInteger, Boolean, Column, Float, Integer, String, Table, Text

from arcdrift.store.schema.columns import result_metadata

result_streams = Table(
    "result_streams",
    result_metadata,
    Column("splicer", Text, primary_key=True),
    Column("program", Text, primary_key=True),
    Column("program_class", String(16), nullable=False),
    Column("site", Text),  # where it was last used
    Column("first_day", String(10), nullable=False),
    Column("last_day", String(10), nullable=False),
    Column("days", Integer, nullable=False),
    Column("splices", BigInteger, nullable=False),
    Column("state", String(12), nullable=False),  # too-few / learning / charted
    Column("charted_days", Integer, nullable=False),  # days in its chart, without excluded ones
    # usual loss of a splice, dB: the expected raw mean, or that before an open change
    Column("baseline_db", Float),
    Column("recent_db", Float),  # raw mean of the last 10 days, dB
    Column("change_since", String(10)),  # onset of an open change of loss
    Column("since_db", Float),  # raw mean since that onset, dB
    Column("change", Float),  # share of the usual loss
    Column("change_finding", String(12)),  # id of the finding that says so
    Column("cap_db", Float),
    Column("sd_within", Float),  # of one capped splice, relative to the mean
    Column("sd_between", Float),  # between days, relative to the mean
    Column("alarms_up", Integer, nullable=False),
    Column("alarms_down", Integer, nullable=False),
)

result_stream_days = Table(
    "result_stream_days",
    result_metadata,
    Column("splicer", Text, primary_key=True),
    Column("program", Text, primary_key=True),
    Column("day", String(10), primary_key=True),
    Column("splices", Integer, nullable=False),
    Column("mean_db", Float, nullable=False),
    Column("capped_mean_db", Float, nullable=False),
    Column("expected_db", Float),  # expected capped day mean, from the past only
    Column("low_db", Float),  # 95 % prediction interval of the capped day mean
    Column("high_db", Float),
    Column("z", Float),
    Column("ewma_up", Float),
    Column("ewma_down", Float),
    Column("limit_up", Float),
    Column("limit_down", Float),
    Column("alarm", String(5), nullable=False),  # "", "up" or "down"
    # restarting services before the day's first splice, in all and by action
    Column("segment", Integer, nullable=False),
    Column("after_electrodes_replaced", Integer, nullable=False),
    Column("after_factory_service", Integer, nullable=False),
    Column("after_firmware_updated", Integer, nullable=False),
    Column("learning", Boolean, nullable=False),
    Column("site", Text),
    Column("total", Float, nullable=False),  # sums of the day's losses, dB; capped; squares, dB2
    Column("capped", Float, nullable=False),
    Column("capped_squares", Float, nullable=False),
    Column("cap", Float),
    Column("person_effect", Float),  # see arcdrift.analysis.loss.person_effects
    Column("crew_effect", Float),  # see arcdrift.analysis.loss.common_day_effect
    Column("shared_effect", Float),
    Column("excluded", Boolean, nullable=False),  # by a person: not judged, not in the baseline
    Column("frozen", Boolean, nullable=False),  # judged, but not in the baseline
)

# points of all loss charts except the level of a stream
result_subject_days = Table(
    "result_subject_days",
    result_metadata,
    # level / spread / dirty / first_time (places not right first time) / errors (per attempt)
    Column("measure", String(12), primary_key=True),
    Column("subject_type", String(12), primary_key=True),
    Column("subject_id", Text, primary_key=True),
    Column("day", String(10), primary_key=True),
    Column("n", Integer, nullable=False),
    Column("value", Float, nullable=False),  # relative to the expected value, or a share
    Column("expected", Float),
    Column("statistic", Float),
    Column("limit", Float),
    Column("alarm", Boolean, nullable=False),
)

# sums by technician, stream, way of holding the fibers and day, from which alarms under another
# budget are replayed
result_loss_cells = Table(
    "result_loss_cells",
    result_metadata,
    Column("splicer", Text, primary_key=True),
    Column("program", Text, primary_key=True),
    Column("technician", Text, primary_key=True),
    Column("holding", Text, primary_key=True),
    Column("site", Text, primary_key=True),
    Column("day", String(10), primary_key=True),
    Column("n", Integer, nullable=False),
    Column("capped", Float, nullable=False),  # dB
    Column("capped_squares", Float, nullable=False),
    Column("made", Integer, nullable=False),  # attempts
    Column("errors", Integer, nullable=False),
    Column("places", Integer, nullable=False),  # of which it is known if they were right first time
    Column("again", Integer, nullable=False),  # that were not
    Column("dirty", Integer, nullable=False),
)

# each week against the four before it; see arcdrift.analysis.loss.weeks.week_changes
result_week_changes = Table(
    "result_week_changes",
    result_metadata,
    Column("week", String(10), primary_key=True),  # its Monday
    Column("splicer", Text, primary_key=True),  # empty with the program: the whole crew
    Column("program", Text, primary_key=True),
    Column("splices", Integer, nullable=False),
    Column("days", Integer, nullable=False),
    Column("splices_before", Integer, nullable=False),
    Column("days_before", Integer, nullable=False),
    Column("loss_db", Float),  # mean of a splice in the week, as logged
    Column("before_db", Float),
    Column("change", Float),  # share of the weeks before, hands allowed for; NULL when too few
    Column("low", Float),  # 95 % interval
    Column("high", Float),
    Column("hands_change", Float),  # by other hands alone
    Column("stands_out", Boolean, nullable=False),
)

result_crew_days = Table(
    "result_crew_days",
    result_metadata,
    Column("day", String(10), primary_key=True),
    Column("splices", Integer, nullable=False),
    Column("mean_db", Float),
    Column("median_db", Float),
    Column("p95_db", Float),
    Column("over_010", Integer, nullable=False),  # splices over 0.10 dB
    Column("errors", Integer, nullable=False),
    Column("places", Integer, nullable=False),
    Column("again", Integer, nullable=False),  # places that were not right first time
)

result_exceptions = Table(
    "result_exceptions",
    result_metadata,
    Column("splice_id", BigInteger, primary_key=True, autoincrement=False),
    Column("splicer", Text, nullable=False, index=True),
    Column("program", Text, nullable=False),
    Column("technician", Text),
    Column("day", String(10), nullable=False),
    Column("spliced_at", BigInteger, nullable=False),
    Column("loss_db", Float, nullable=False),
    Column("limit_db", Float, nullable=False),  # learned from earlier days of the stream
    Column("location", Text),
)

result_single_limits = Table(
    "result_single_limits",
    result_metadata,
    Column("splicer", Text, primary_key=True),
    Column("program", Text, primary_key=True),
    Column("limit_db", Float),  # in force for the next day; NULL when there is none
    Column("splices", Integer, nullable=False),  # that the limit was learned from
    Column("last_day", String(10), nullable=False),  # of the days that the limit was learned from
    Column("judged", Integer, nullable=False),  # splices that had a limit, over all segments
    Column("exceptions", Integer, nullable=False),
    Column("refusal", Text),  # why there is no limit, in a sentence
)

# splices over the accepted limit, also those made again since
result_splices_to_revisit = Table(
    "result_splices_to_revisit",
    result_metadata,
    Column("splice_id", BigInteger, primary_key=True, autoincrement=False),
    Column("splicer", Text, nullable=False),
    Column("program", Text, nullable=False),
    Column("site", Text),
    Column("location", Text),
    Column("day", String(10), nullable=False),
    Column("spliced_at", BigInteger, nullable=False),
    Column("loss_db", Float, nullable=False),
    Column("limit_db", Float, nullable=False),
    Column("told", Boolean, nullable=False),  # whether the log shows if it was made again
    Column("made_again", Boolean, nullable=False),
    Column("made_again_at", BigInteger),  # the later splice at its place
)

result_agreement = Table(
    "result_agreement",
    result_metadata,
    Column("splicer", Text, primary_key=True),
    Column("program", Text, primary_key=True),  # empty: all programs
    Column("pairs", Integer, nullable=False),
    Column("bias_db", Float),  # estimate less measurement; NULL when too few
    Column("low_db", Float),
    Column("high_db", Float),
    Column("sd_db", Float),
    Column("lower_db", Float),  # limits of agreement
    Column("upper_db", Float),
    Column("since", BigInteger, nullable=False),
    Column("until", BigInteger, nullable=False),
)
