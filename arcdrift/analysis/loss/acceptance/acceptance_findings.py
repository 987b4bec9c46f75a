"""Findings of loss over the accepted limits: of a stream's mean, and of single splices."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.analysis.common.days import day_starts
from arcdrift.analysis.common.episodes import episodes, severity
from arcdrift.analysis.common.grouping import group_index, group_rows
from arcdrift.analysis.loss.acceptance.accepted_limits import recent_means
from arcdrift.arrays import Bools, Datetimes, Floats, Ints
from arcdrift.finding import Finding
from arcdrift.settings import Crew

EPISODE_DAYS = 30
MOST_LISTED = 10
STREAM = ["splicer", "program"]


def average_findings(days: pd.DataFrame, crew: Crew, now: pd.Timestamp) -> list[Finding]:
    """Streams whose interval of the recent mean lies over the limit: one finding per run of days.

    Parameters
    ----------
    days : DataFrame
        From `arcdrift.analysis.loss.acceptance.accepted_limits.accepted_days`, of all splicers.
    """
    if days.empty:
        return []
    means = recent_means(days)
    means = means[means["over"]]
    means = means.assign(day_start=day_starts(means, crew))
    found = []
    for (splicer, program), stream_means in means.groupby(STREAM):
        for rows in episodes(stream_means["day_start"], pd.Timedelta(days=EPISODE_DAYS)):
            run = stream_means.loc[rows]
            found.append(_average_finding(f"{splicer}", f"{program}", run, now))
    return found


def _average_finding(splicer: str, program: str, run: pd.DataFrame, now: pd.Timestamp) -> Finding:
    last = run.iloc[-1]
    return Finding(
        kind="loss-over-limit",
        subject_type="stream",
        subject_id=f"{splicer} / {program}",
        since=run["day_start"].iloc[0].to_pydatetime(),
        until=last["day_start"].to_pydatetime(),
        severity=severity(last["day_start"], now, heavy=True),
        evidence={
            "mean_db": round(float(last["mean_db"]), 4),
            "mean_low_db": round(float(last["low_db"]), 4),
            "mean_high_db": round(float(last["high_db"]), 4),
            "average_limit_db": round(float(last["limit_db"]), 4),
            "workdays_averaged": int(last["window_days"]),
            "splices": int(last["splices"]),
        },
        summary=(
            f"{splicer}, {program}: the {int(last['window_days'])} workdays up to "
            f"{last['day']:%Y-%m-%d} averaged {last['mean_db']:.3f} dB a splice (95 % interval "
            f"{last['low_db']:.3f} to {last['high_db']:.3f} dB, {int(last['splices']):,} splices); "
            f"accepted are {last['limit_db']:.3f} dB."
        ),
        next_step=(
            "Have some of these splices measured from both ends, and find what keeps the loss up "
            "before more work is handed over. If other limits apply here, set them in crew.toml."
        ),
        assessed_on=now.to_pydatetime(),
    )


def single_findings(over: pd.DataFrame, now: pd.Timestamp) -> list[Finding]:
    """Splices over the limit that were not redone: one finding per stream.

    Parameters
    ----------
    over : DataFrame
        From `arcdrift.analysis.loss.acceptance.accepted_limits.splices_over_limit`, of all
        splicers.

    Notes
    -----
    Age does not matter: unlike a temporary level, such a splice stays in place until it is redone.
    """
    if over.empty:
        return []
    ordered = over.sort_values("spliced_at")
    code, first = group_index(*(ordered[name] for name in STREAM))
    names = ordered[STREAM].iloc[first].itertuples(index=False, name=None)
    splices = _Over(
        ordered["spliced_at"].to_numpy(dtype="datetime64[us]"),
        np.datetime_as_string(ordered["day"].to_numpy(dtype="datetime64[D]")),
        ordered["limit_db"].to_numpy(dtype=np.float64).round(4),
        ordered["loss_db"].to_numpy(dtype=np.float64),
        ordered["told"].to_numpy(dtype=bool),
        ordered["location"].to_numpy(dtype=object),
        ordered["location"].notna().to_numpy(),
    )
    return [
        _single_finding(str(splicer), str(program), splices.take(rows), now)
        for (splicer, program), rows in zip(names, group_rows(code, len(first)), strict=True)
    ]


class _Over(NamedTuple):
    """Splices over the limit in order of time, as arrays; ``day`` as ISO text."""

    time: Datetimes
    day: npt.NDArray[np.str_]
    limit_db: Floats
    loss_db: Floats
    told: Bools
    location: npt.NDArray[np.object_]
    located: Bools

    def take(self, rows: Ints) -> "_Over":
        """Those of some rows."""
        return _Over(
            self.time[rows], self.day[rows], self.limit_db[rows], self.loss_db[rows],
            self.told[rows], self.location[rows], self.located[rows],
        )  # fmt: skip


def _single_finding(splicer: str, program: str, over: _Over, now: pd.Timestamp) -> Finding:
    count, unknown = len(over.time), int((~over.told).sum())
    first, last = (pd.Timestamp(over.time[place], tz="UTC") for place in (0, -1))
    first_day, last_day = (str(over.day[place]) for place in (0, -1))
    single = count == 1
    limits = np.unique(over.limit_db).tolist()
    limit_text = " or ".join(f"{limit:.2f}" for limit in limits)
    when = f"on {first_day}" if first_day == last_day else f"from {first_day} to {last_day}"
    made = "made again at the same place"
    if unknown == count:
        again = f"whether {'it was' if single else 'they were'} {made} is not clear from the log"
    elif unknown:
        again = f"{count - unknown:,} not {made}; of {unknown:,} the log cannot tell"
    else:
        again = f"no later splice of this splicer is logged at {'its' if single else 'their'} place"
    places = over.location[over.located][-MOST_LISTED:].tolist()
    return Finding(
        kind="loss-over-limit",
        subject_type="stream",
        subject_id=f"{splicer} / {program}",
        since=first.to_pydatetime(),
        until=last.to_pydatetime(),
        severity=severity(last, now, heavy=False),
        evidence={
            "splices": count,
            "single_limit_db": limits[0] if len(limits) == 1 else limits,
            "highest_db": round(float(over.loss_db.max()), 3),
            "first_over": first_day,
            "last_over": last_day,
            "not_told_if_made_again": unknown,
            **({"latest_locations": places} if places else {}),
        },
        summary=(
            f"{splicer}, {program}: {count:,} splice{'' if single else 's'} over {limit_text} dB "
            f"{when}; {again}."
        ),
        next_step=(
            f"{'Go to the places named' if places else 'Find them among its splices'}"
            ", measure from both ends and make again what is still over the limit. Never look "
            "into a fiber that may carry light, and collect the glass shards."
        ),
        assessed_on=now.to_pydatetime(),
    )
