"""Records that lie in the future, because a splicer's clock or this computer's is wrong."""

from datetime import datetime, timedelta
from operator import itemgetter
from zoneinfo import ZoneInfo

from sqlalchemy import Engine

from arcdrift.clock_bounds import MAX_AHEAD
from arcdrift.instants import instant_text
from arcdrift.settings import Crew
from arcdrift.store.records.record_overview import assessment_time, newest_records


def records_in_future(engine: Engine, now: datetime) -> dict[str, datetime]:
    """Latest check or splice of each splicer that has one in the future, newest first.

    Parameters
    ----------
    now : aware datetime
        By this computer's clock; `arcdrift.clock_bounds.MAX_AHEAD` later is no future yet.
    """
    newest = sorted(newest_records(engine).items(), key=itemgetter(1), reverse=True)
    return {splicer: time for splicer, time in newest if time > now + MAX_AHEAD}


def future_sentence(ahead: dict[str, datetime], zone: str) -> str:
    """Say that records lie in the future; empty where none does.

    Parameters
    ----------
    ahead : dict
        From `records_in_future`.
    zone : str
        Time zone in which to write the time.
    """
    if not ahead:
        return ""
    splicer, time = next(iter(ahead.items()))
    more = f" and {len(ahead) - 1} more" if len(ahead) > 1 else ""
    return (
        f"The newest records lie in the future, {instant_text(time.astimezone(ZoneInfo(zone)))} "
        f"(splicer {splicer}{more}): its clock or this computer's is wrong. Correct it, "
        "and the records with `arcdrift clock` or `arcdrift imports undo`."
    )


def leads_into_future(engine: Engine, crew: Crew, logged_until: datetime, shift: timedelta) -> bool:
    """Whether a clock shift gives records a time to come, so that it cannot be right.

    Parameters
    ----------
    logged_until : aware datetime
        End of the records as logged.
    """
    latest = assessment_time(engine, crew) + timedelta(days=1)
    return bool(shift) and logged_until + shift > latest
