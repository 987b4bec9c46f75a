"""Single splices with losses far above the others of their stream: listed, not charted.

A chart of single losses alarms several times too often, because losses are skewed, rounded and
contain outliers; days are charted instead. Here each splice is compared with the limit that about
one good splice in 10,000 exceeds, fitted on earlier days of the same stream segment. Outliers do
not count toward the false-alarm budget.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.common.grouping import (
    as_text,
    category_to_text,
    fill_missing_text,
    group_index,
)
from arcdrift.analysis.loss.stream_days import NO_PROGRAM, service_counts
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.charts.gamma_limit import GammaLimits, gamma_limits, histogram_bins

STAGES = (100, 300, 1000)
"""Numbers of splices at which a limit is fitted; the last fit stays for the whole segment."""
STEP_DB = 0.01
"""Rounding step of splicers; finer logs are rounded to it, which hardly changes the limit."""
MEANING = (
    "A splice is far out when its loss is above a limit learned from earlier days of the same "
    "splicer and program. The fitted law lets one good splice in 10,000 exceed it; in simulated "
    "crews it was about one in 4,000."
)

_STAGES = np.array(STAGES)
OUTLIER_COLUMNS = [
    "splice_id", "splicer", "program", "technician", "day", "spliced_at", "loss_db", "limit_db",
    "location",
]  # fmt: skip
COPIED = ["id", "splicer", "technician", "spliced_at", "location"]
LIMIT_COLUMNS = [
    "splicer", "program", "limit_db", "splices", "last_day", "judged", "exceptions", "refusal",
]  # fmt: skip


STATE_COLUMNS = [
    "splicer", "program", "segment", "last_day", "splices", "carried_db", "judged", "exceptions",
    *(f"{name}_{splices}" for splices in STAGES for name in ("limit", "splices", "day", "refusal")),
]  # fmt: skip
LOSS_COLUMNS = ["splicer", "program", "step", "below_db", "count"]


@dataclass(frozen=True)
class OutlierState:
    """What is needed of earlier splices to judge the later ones of the same streams.

    Attributes
    ----------
    streams : DataFrame
        One row per stream, for its present segment: ``segment``, ``last_day``, ``splices`` so far,
        ``carried_db`` (limit of the segment before), ``judged`` and ``exceptions`` (of all
        segments), and of each fit of `STAGES` its ``limit``, the ``splices`` it was fitted on, the
        last ``day`` of these, and its ``refusal``; missing where there was no such fit yet.
    losses : DataFrame
        Number of losses by stream and step (in steps of `STEP_DB`; -1 with ``below_db`` where the
        loss is only known to be below it), of segments whose last fit is still to come.
    """

    streams: pd.DataFrame
    losses: pd.DataFrame

    @classmethod
    def empty(cls) -> "OutlierState":
        """State before the first splice."""
        return cls(pd.DataFrame(columns=STATE_COLUMNS), pd.DataFrame(columns=LOSS_COLUMNS))

    def limits(self) -> pd.DataFrame:
        """Limit of each stream for the next day (`OutlierSplices.limits`)."""
        table = self.streams
        if table.empty:
            return pd.DataFrame(columns=LIMIT_COLUMNS)
        present = table[["splicer", "program", "last_day", "splices", "judged", "exceptions"]]
        present = present.assign(limit_db=table["carried_db"])
        few = [f"Only {count:,} so far; a limit needs {STAGES[0]}." for count in table["splices"]]
        unknown = table["carried_db"].isna()
        present["refusal"] = pd.Series(few, table.index, dtype=object).where(unknown, None)
        for stage in STAGES:
            fitted = table[f"splices_{stage}"].notna()
            for name, source in (
                ("limit_db", "limit"), ("splices", "splices"), ("last_day", "day"),
                ("refusal", "refusal"),
            ):  # fmt: skip
                present.loc[fitted, name] = table.loc[fitted, f"{source}_{stage}"]
        return present.astype({"splices": "int64"})[LIMIT_COLUMNS]


@dataclass(frozen=True)
class OutlierSplices:
    """Splices above their limit, and the limits of the streams.

    Attributes
    ----------
    outliers : DataFrame
        Splices above their limit: ``splice_id``, ``splicer``, ``program``, ``technician``, ``day``,
        ``spliced_at`` (UTC), ``loss_db``, ``limit_db``, ``location`` (missing where not logged).
    state : OutlierState
    """

    outliers: pd.DataFrame
    state: OutlierState

    @property
    def limits(self) -> pd.DataFrame:
        """Present limits.

        One row per stream, for its present segment: ``limit_db`` for the next day (NaN where
        there is none), ``splices`` it was fitted on, ``last_day`` of these, ``judged`` and
        ``exceptions`` (numbers of judged splices and outliers, all segments), ``refusal`` (why
        there is no limit; None where there is one).
        """
        return self.state.limits()


@dataclass(frozen=True)
class _Losses:
    """Losses to fit limits on, alike ones together; arrays of shape (losses,).

    Attributes
    ----------
    step : array
        Loss in steps of `STEP_DB`; -1 where it is only known to be below a limit.
    below : array
        That limit (dB); NaN elsewhere.
    cell : array
        Stream day.
    count : array
        Number of such losses.
    """

    step: Ints
    below: Floats
    cell: Ints
    count: Floats


def find_outlier_splices(
    work: pd.DataFrame,
    day: pd.Series,
    service: pd.DataFrame,
    earlier: OutlierState | None = None,
    *,
    segment: Ints | None = None,
) -> OutlierSplices:
    """Compare each splice with a limit fitted on earlier days of its stream segment.

    Parameters
    ----------
    work : DataFrame
        Splices from `arcdrift.analysis.loss.stream_days.production_splices`; ``loss_below_db``, the
        limit that a loss is only known to be below, may be absent.
    day : Series
        Their local workdays.
    service : DataFrame
        Service events.
    earlier : OutlierState, optional
        State after all earlier days, where `work` does not begin with the first.
    segment : array of shape (splices,), optional
        Number of restarting services before the day of each splice, where it is known already
        (``segment`` of `arcdrift.analysis.loss.stream_days.sum_stream_days`).
    """
    state = OutlierState.empty() if earlier is None else earlier
    if work.empty:
        return OutlierSplices(pd.DataFrame(columns=OUTLIER_COLUMNS), state)
    past = state.streams.reset_index(drop=True)
    program = fill_missing_text(work["program"], NO_PROGRAM)
    streams_known, stream = _number_streams(work["splicer"], program, past)
    names, past_stream = streams_known.names, streams_known.positions(past)
    if segment is None:
        every = np.arange(len(work))
        at = work["spliced_at"]
        counts = service_counts(work["splicer"], day.to_numpy(), at, service, every)
        segment = counts.sum(axis=0)
    # all earlier days of a stream's present segment stand as one row before those of `work`
    streams = np.r_[past_stream, stream]
    segments = np.r_[past["segment"].to_numpy(dtype=np.int64), segment]
    days = np.r_[past["last_day"].to_numpy(dtype="datetime64[us]"), day.to_numpy("datetime64[us]")]
    weight = np.r_[past["splices"].to_numpy(dtype=np.float64), np.ones(len(work))]
    cells, first = group_index(streams, segments, days)
    unit, first_cell = group_index(streams[first], segments[first])
    past_cell, cell = np.split(cells, [len(past)])
    past_unit = unit[past_cell]
    starts = np.sort(first_cell)
    n = np.bincount(cells, weight).astype(np.int64)
    upto = np.cumsum(n)
    upto -= (upto - n)[starts][unit]  # splices of the segment up to the end of each day
    before, after = (np.searchsorted(_STAGES, count, side="right") for count in (upto - n, upto))
    fitted_at = _fit_days(unit, after)
    is_new = fitted_at >= 0
    is_new[past_unit] &= fitted_at[past_unit] != past_cell[:, None]
    cell_of_stream = np.full(len(names), -1)
    cell_of_stream[past_stream] = past_cell
    cell_of_past = cell_of_stream[streams_known.positions(state.losses)]
    losses = _losses_to_fit(work, cell, state.losses, cell_of_past)
    fits = _fitted_limits(losses, unit, np.where(is_new, fitted_at, -1))

    shape = fitted_at.shape
    limits, splices = np.full(shape, np.nan), np.full(shape, np.nan)
    last_days, refusals = (
        np.full(shape, np.datetime64("NaT"), "datetime64[us]"),
        np.full(shape, None),
    )
    for stage, number in enumerate(STAGES):
        limits[past_unit, stage] = past[f"limit_{number}"].to_numpy(dtype=np.float64)
        splices[past_unit, stage] = past[f"splices_{number}"].to_numpy(dtype=np.float64)
        last_days[past_unit, stage] = past[f"day_{number}"].to_numpy(dtype="datetime64[us]")
        refusals[past_unit, stage] = past[f"refusal_{number}"].to_numpy(dtype=object)
    limits[is_new], splices[is_new] = fits.limit, upto[fitted_at[is_new]]
    last_days[is_new] = days[first][fitted_at[is_new]]
    refusals[is_new] = [sentence or None for sentence in fits.refusals]

    ends = np.r_[starts[1:], len(unit)] - 1
    unit_stream = streams[first][starts]
    # until a segment has a limit of its own, the last one before it in the stream judges
    carried = np.full(len(starts), np.nan)
    carried[past_unit] = past["carried_db"].to_numpy(dtype=np.float64)
    final = np.c_[carried, limits][np.arange(len(starts)), after[ends]]
    own = pd.Series(np.where(np.isnan(final), carried, final))
    following = own.groupby(unit_stream).ffill().groupby(unit_stream).shift().to_numpy(copy=True)
    following[past_unit] = carried[past_unit]
    limit = np.c_[following, limits][unit, before][cell]
    loss = work["loss_db"].to_numpy(dtype=np.float64)
    outlying = loss > limit + 1e-9
    rows = category_to_text(work[COPIED].iloc[np.flatnonzero(outlying)])
    outliers = pd.DataFrame(
        {
            **{name: rows[name].array for name in COPIED},
            "program": names["program"].to_numpy(dtype=object)[stream[outlying]],
            "day": day.to_numpy()[outlying],
            "loss_db": loss[outlying],
            "limit_db": limit[outlying],
        }
    )
    present = np.flatnonzero(np.diff(unit_stream, append=-1) != 0)  # last segment of each stream
    of_all = {"judged": ~np.isnan(limit), "exceptions": outlying}
    every_stream = np.r_[past_stream, stream]
    table = names.assign(
        segment=segments[first][ends[present]],
        last_day=days[first][ends[present]],
        splices=upto[ends[present]],
        carried_db=following[present],
        **{
            name: np.bincount(
                every_stream, np.r_[past[name].to_numpy(np.float64), chosen]
            ).astype(np.int64)
            for name, chosen in of_all.items()
        },
        **{
            f"{name}_{number}": values[present, stage]
            for stage, number in enumerate(STAGES)
            for name, values in (
                ("limit", limits), ("splices", splices), ("day", last_days), ("refusal", refusals),
            )
        },
    )  # fmt: skip
    is_open = np.zeros(len(starts), dtype=bool)
    is_open[present] = after[ends[present]] < len(STAGES)
    return OutlierSplices(
        outliers.rename(columns={"id": "splice_id"})[OUTLIER_COLUMNS],
        OutlierState(
            table[STATE_COLUMNS],
            _open_losses(losses, is_open[unit[losses.cell]], streams[first][losses.cell], names),
        ),
    )


@dataclass(frozen=True)
class _Streams:
    """Names of all streams, earlier ones included, in order: ``splicer``, ``program``."""

    names: pd.DataFrame

    def positions(self, frame: pd.DataFrame) -> Ints:
        """Number of each row's stream among the names of all, shape (rows,)."""
        place = {key: number for number, key in enumerate(_keys(self.names))}
        return np.array([place[key] for key in _keys(frame)], dtype=np.int64)


def _keys(frame: pd.DataFrame) -> list[tuple[str, str]]:
    return list(zip(frame["splicer"].array, frame["program"].array, strict=True))


def _number_streams(
    splicer: pd.Series, program: pd.Series, past: pd.DataFrame
) -> tuple[_Streams, Ints]:
    """All streams, and the number of each splice's stream among them."""
    code, first = group_index(splicer, program)
    found = pd.DataFrame(
        {
            name: as_text(values.iloc[first]).to_numpy(dtype=object)
            for name, values in (("splicer", splicer), ("program", program))
        },
        dtype=object,
    )
    every = sorted({*_keys(found), *_keys(past)})
    streams = _Streams(pd.DataFrame(every, columns=["splicer", "program"], dtype=object))
    return streams, streams.positions(found)[code]


def _losses_to_fit(work: pd.DataFrame, cell: Ints, past: pd.DataFrame, past_cell: Ints) -> _Losses:
    """Losses of `work` and those kept of earlier days, whose day is the one row of these."""
    bins = histogram_bins(STEP_DB)
    loss = work["loss_db"].to_numpy(dtype=np.float64)
    below = np.full(len(loss), np.nan)
    if "loss_below_db" in work:
        below = work["loss_below_db"].to_numpy(dtype=np.float64)
    step = np.minimum(np.rint(loss / STEP_DB).astype(np.int64), bins - 1)
    step[~np.isnan(below)] = -1
    return _Losses(
        np.r_[past["step"].to_numpy(dtype=np.int64), step],
        np.r_[past["below_db"].to_numpy(dtype=np.float64), below],
        np.r_[past_cell, cell],
        np.r_[past["count"].to_numpy(dtype=np.float64), np.ones(len(work))],
    )


def _open_losses(losses: _Losses, chosen: Bools, stream: Ints, names: pd.DataFrame) -> pd.DataFrame:
    """Chosen losses counted by stream and value (`OutlierState.losses`)."""
    step, below = losses.step[chosen], losses.below[chosen]
    # a number for each limit that losses are below; those with a figure of their own come last
    limit = np.searchsorted(np.unique(below[~np.isnan(below)]), below)
    group, first = group_index(stream[chosen], step, limit)
    keys = names.iloc[stream[chosen][first]].reset_index(drop=True)
    counts = np.bincount(group, losses.count[chosen], minlength=len(first))
    return keys.assign(step=step[first], below_db=below[first], count=counts)[LOSS_COLUMNS]


def _fit_days(unit: Ints, after: Ints) -> Ints:
    """First stream day at whose end each segment had the splices of each stage; -1: none.

    Returns
    -------
    array of shape (segments, stages)
    """
    out = np.full((int(unit[-1]) + 1, len(STAGES)), -1)
    for stage in range(len(STAGES)):
        rows = np.flatnonzero(after > stage)[::-1]
        out[unit[rows], stage] = rows  # the earliest is written last
    return out


def _fitted_limits(losses: _Losses, unit: Ints, fitted_at: Ints) -> GammaLimits:
    """Limits, each fitted on the losses up to its stream day; none where that is -1."""
    bins = histogram_bins(STEP_DB)
    censored = losses.step < 0
    if not censored.any():
        counts = _histograms(losses.step, bins, losses.cell, losses.count, unit, fitted_at)
        return gamma_limits(counts, step=STEP_DB)
    known, limit = ~censored, np.unique(losses.below[censored])
    place = np.searchsorted(limit, losses.below[censored])
    return gamma_limits(
        _histograms(
            losses.step[known], bins, losses.cell[known], losses.count[known], unit, fitted_at
        ),
        step=STEP_DB,
        below=limit,
        below_counts=_histograms(
            place, len(limit), losses.cell[censored], losses.count[censored], unit, fitted_at
        ),
    )


def _histograms(
    step: Ints, bins: int, cell: Ints, count: Floats, unit: Ints, fitted_at: Ints
) -> Floats:
    """Counts by bin of the losses each limit is fitted on, shape (limits, bins)."""
    size = fitted_at.shape[0] * bins
    splice_unit = unit[cell]
    place = splice_unit * bins + step
    counts = []
    for last in fitted_at.T:
        early = cell <= last[splice_unit]
        counts.append(np.bincount(place[early], count[early], size).reshape(-1, bins))
    return np.asarray(np.stack(counts, axis=1)[fitted_at >= 0], dtype=np.float64)
