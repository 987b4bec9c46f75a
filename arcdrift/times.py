"""Conversion of local time to UTC, and the workday of an instant.

Splicers and loggers write local time. Once a year an hour of it does not exist and once an hour
occurs twice. Which of the two an entry belongs to is decided from the order of the file's rows;
what cannot be decided gets a problem code and is never guessed.
"""

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.arrays import Bools, Datetimes
from arcdrift.errors import BadInput

NOT_EXISTING = "time-not-existing"
AMBIGUOUS = "time-ambiguous"

_SORTED_SHARE = 0.9
"""Share of steps in one direction above which a file counts as sorted by time."""
_NO_GROUP = "\0"
"""Stands for a missing group; no text of a log contains it."""
_MAX_CHUNK_ROWS = 1 << 40
"""More rows than any chunk of a file has."""


def to_utc(
    local: pd.Series,
    zone: str,
    *,
    group: pd.Series | None = None,
    order: pd.Series | None = None,
    evidence: "Evidence | None" = None,
) -> tuple[pd.Series, pd.Series]:
    """Turn wall-clock times of one zone into UTC.

    Parameters
    ----------
    local : Series of datetime64, naive
        Wall-clock times in the order of the file; NaT stays NaT without a problem.
    zone : str
        IANA time zone.
    group : Series, optional
        Groups that keep their own order, such as splicers or sites; same index as `local`. None
        takes all rows as one group.
    order : Series of float, optional
        A number that only grows in a group: arc count or splice number. NaN where unknown.
    evidence : Evidence, optional
        Rows of the other chunks of the file, when `local` is one chunk of it.

    Returns
    -------
    utc : Series of datetime64[us, UTC]
        Same index as `local`; NaT where there is a problem.
    problem : Series of str
        ``time-not-existing`` for the skipped hour, ``time-ambiguous`` for a repeated hour
        that cannot be decided, NA otherwise.

    Raises
    ------
    BadInput
        When the zone is not known.

    Notes
    -----
    In their true order, the times of a repeated hour increase, jump back once, and increase
    again; rows before the jump belong to the first pass of the hour, rows after it to the second.
    The true order is that of `order` where every row of the hour has a number, else the row
    order, reversed in a file that is sorted newest first. No jump, more than one, a jump between
    two equal numbers, or a file in no order at all leaves the hour undecided.
    """
    _check_zone(zone)
    wall = local.astype("datetime64[us]")
    first = _to_utc_pass(wall, zone, earlier=True)
    second = _to_utc_pass(wall, zone, earlier=False)
    skipped = (wall.notna() & first.isna()).to_numpy()
    repeated = (first.notna() & (first != second)).to_numpy()

    utc = first.copy()
    problem = pd.Series(pd.NA, index=local.index, dtype="str")
    problem[skipped] = NOT_EXISTING
    if repeated.any() or evidence is not None:
        hours, steps = _hours_and_steps(wall, repeated, group, order)
        if evidence is None:
            hour_pass = _pass_by_row(_passes(hours, _direction(steps)), hours, len(wall))
        else:
            hour_pass = evidence.add(zone, hours, steps, local.index)
        late = repeated & (hour_pass == 1)
        undecided = repeated & (hour_pass < 0)
        utc = utc.mask(late, second).mask(undecided)
        problem[undecided] = AMBIGUOUS
    return utc, problem


def local_day(utc: pd.Series, zones: pd.Series | str, day_offset: timedelta) -> pd.Series:
    """Workday of each instant, as the naive midnight that names the day.

    Parameters
    ----------
    utc : Series of datetime64[us, UTC]
        Instants.
    zones : Series of str, or str
        IANA time zone of each row, or one for all. A row without a zone has no day (NaT).
    day_offset : timedelta
        How long after local midnight a workday begins.

    Returns
    -------
    Series of datetime64[us], naive
        Same index as `utc`; agrees with `day_bounds` to the microsecond.
    """
    instant = utc.dt.tz_localize(None).dt.as_unit("us").to_numpy()
    if isinstance(zones, str):
        return pd.Series(_workday(instant, zones, day_offset), index=utc.index)
    days = np.full(len(utc), np.datetime64("NaT", "us"))
    code, names = pd.factorize(zones)
    for number, name in enumerate(names):
        here = code == number
        days[here] = _workday(instant[here], str(name), day_offset)
    return pd.Series(days, index=utc.index)


def day_bounds(day: date, zone: str, day_offset: timedelta) -> tuple[datetime, datetime]:
    """First instant of a workday and first instant of the next, both UTC.

    A boundary in a skipped hour moves to the end of the gap; one in a repeated hour is taken
    at its first pass.
    """
    starts = _day_starts(
        pd.DatetimeIndex([pd.Timestamp(day), pd.Timestamp(day) + pd.Timedelta(days=1)]),
        zone,
        day_offset,
    )
    return starts[0].to_pydatetime(), starts[1].to_pydatetime()


def _check_zone(name: str) -> None:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise BadInput(
            f"The time zone {name!r} is not known; use a name such as Europe/Oslo."
        ) from None


def _to_utc_pass(wall: pd.Series, zone: str, *, earlier: bool) -> pd.Series:
    choice = np.full(len(wall), earlier)
    utc: pd.Series = wall.dt.tz_localize(zone, ambiguous=choice, nonexistent="NaT").dt.tz_convert(
        "UTC"
    )
    return utc


def _hours_and_steps(
    wall: pd.Series,
    repeated: Bools,
    group: pd.Series | None,
    order: pd.Series | None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The rows of repeated hours, and the order of the other rows.

    The second frame has, by group, the number of steps forward (``up``) and back (``down``) and
    the ``first`` and ``last`` time.
    """
    rows = np.flatnonzero(repeated)
    codes, names = np.zeros(len(wall), np.int64), pd.Index([""])
    if group is not None:
        # a missing group is a group of its own
        codes, names = pd.factorize(group, use_na_sentinel=False)
        names = pd.Index(names).astype(object).where(pd.Index(names).notna(), _NO_GROUP)
    hours = pd.DataFrame(
        {
            "row": rows,
            "group": names.take(codes[rows]),
            "day": wall.iloc[rows].dt.normalize().to_numpy(),
            "wall": wall.iloc[rows].to_numpy(),
            "number": np.nan if order is None else order.to_numpy(float, na_value=np.nan)[rows],
        }
    )
    plain = wall[~repeated]
    by_group = plain.groupby(codes[~repeated])
    step = by_group.diff().dt.total_seconds()
    steps = pd.DataFrame(
        {
            "up": (step > 0).groupby(codes[~repeated]).sum(),
            "down": (step < 0).groupby(codes[~repeated]).sum(),
            "first": by_group.first(),
            "last": by_group.last(),
        }
    )
    return hours, steps.set_axis(names.take(steps.index.to_numpy(np.int64)), axis=0)


def _passes(hours: pd.DataFrame, direction: pd.Series) -> pd.Series:
    """1 for the second pass of a repeated hour, 0 for the first, -1 for undecided; by row."""
    key = ["group", "day"]
    hours = hours.reset_index(drop=True)
    numbered = hours["number"].notna().groupby([hours[k] for k in key]).transform("all")
    position = hours["row"] * hours["group"].map(direction).astype(float).fillna(0)
    hours["rank"] = hours["number"].where(numbered, position)
    hours = hours.sort_values([*key, "rank", "row"], kind="stable")

    by_hour = hours.groupby(key, sort=False)
    back = by_hour["wall"].diff() < pd.Timedelta(0)
    hours["passes"] = back.groupby([hours[k] for k in key]).cumsum()
    # the jump must be a step forward in the order; otherwise the order does not explain it
    unexplained = back & ~(by_hour["rank"].diff() > 0)
    jumps = back.groupby([hours[k] for k in key]).transform("sum")
    tied = unexplained.groupby([hours[k] for k in key]).transform("any")
    decided = (jumps == 1) & ~tied
    return pd.Series(np.where(decided, hours["passes"], -1), index=hours["row"].to_numpy())


def _pass_by_row(passes: pd.Series, hours: pd.DataFrame, count: int) -> npt.NDArray[np.int8]:
    result = np.full(count, -1, np.int8)
    result[hours["row"].to_numpy()] = passes.loc[hours["row"]].to_numpy()
    return result


def _direction(steps: pd.DataFrame) -> pd.Series:
    """+1 for a group sorted oldest first, -1 newest first, NaN for neither; by group."""
    up, down = steps["up"], steps["down"]
    moved = up + down
    sorted_up = (up >= _SORTED_SHARE * moved) & (moved > 0)
    sorted_down = (down >= _SORTED_SHARE * moved) & (moved > 0)
    sign: pd.Series = sorted_up.astype(float) - sorted_down.astype(float)
    return sign.where(sorted_up | sorted_down)


class Evidence:
    """Gathers the rows of repeated hours over the chunks of a file, and decides their passes.

    First every chunk is added; then `decide` is called, and the chunks that have rows of a
    repeated hour are added again. Indexes of the chunks must be row positions in them.

    Attributes
    ----------
    undecided : bool
        Whether a chunk with rows of a repeated hour was added before `decide`; the owner resets
        it.
    chunk : int
        Number of the chunk that is added.
    """

    def __init__(self) -> None:
        self.undecided = False
        self.chunk = 0
        self._hours: dict[str, list[pd.DataFrame]] = {}
        self._steps: dict[str, pd.DataFrame] = {}
        self._passes: dict[str, pd.Series] | None = None

    def add(
        self, zone: str, hours: pd.DataFrame, steps: pd.DataFrame, place: pd.Index
    ) -> npt.NDArray[np.int8]:
        """Add the rows of a chunk; return the pass of each, -1 where it is not decided."""
        numbered = hours.assign(row=self.chunk * _MAX_CHUNK_ROWS + place.to_numpy()[hours["row"]])
        result = np.full(len(place), -1, np.int8)
        if self._passes is not None:
            if len(hours):
                passes = self._passes[zone].loc[numbered["row"]].to_numpy()
                result[hours["row"].to_numpy()] = passes
            return result
        if len(hours):
            self.undecided = True
            self._hours.setdefault(zone, []).append(numbered)
        known = self._steps.get(zone)
        self._steps[zone] = steps if known is None else _add_steps(known, steps)
        return result

    def decide(self) -> None:
        """Decide the passes of repeated hours from all chunks."""
        self._passes = {
            zone: _passes(pd.concat(parts), _direction(self._steps[zone]))
            for zone, parts in self._hours.items()
        }


def _add_steps(known: pd.DataFrame, steps: pd.DataFrame) -> pd.DataFrame:
    """Steps of two parts of a file that follow each other, with the step between them."""
    every = known.index.union(steps.index)
    old, new = known.reindex(every), steps.reindex(every)
    seam = (new["first"] - old["last"]).dt.total_seconds()
    return pd.DataFrame(
        {
            "up": old["up"].fillna(0) + new["up"].fillna(0) + (seam > 0),
            "down": old["down"].fillna(0) + new["down"].fillna(0) + (seam < 0),
            "first": old["first"].fillna(new["first"]),
            "last": new["last"].fillna(old["last"]),
        }
    )


def _workday(instant: Datetimes, zone: str, day_offset: timedelta) -> Datetimes:
    """Workday of UTC instants in one time zone."""
    _check_zone(zone)
    missing = np.isnat(instant)
    # the days near the instants, then the day between whose first instants each one lies
    seen = pd.unique(instant[~missing].astype("datetime64[D]").astype(np.int64))
    index = np.unique(seen[:, None] + np.arange(-3, 3)).astype("datetime64[D]")
    index = index.astype("datetime64[us]")
    starts = _day_starts(pd.DatetimeIndex(index), zone, day_offset).tz_localize(None)
    place = np.searchsorted(starts.as_unit("us").to_numpy(), instant, side="right") - 1
    days = np.full(len(instant), np.datetime64("NaT", "us"))
    days[~missing] = index[place[~missing]]
    return days


def _day_starts(days: pd.DatetimeIndex, zone: str, day_offset: timedelta) -> pd.DatetimeIndex:
    _check_zone(zone)
    first_pass = np.ones(len(days), bool)
    starts: pd.DatetimeIndex = (
        (days + day_offset)
        .tz_localize(zone, ambiguous=first_pass, nonexistent="shift_forward")
        .tz_convert("UTC")
    )
    return starts
