"""Notices after an import of readings: what of their air the crew's settings keep from use."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from arcdrift.cli.crew_folder import CrewSession
from arcdrift.cli.output import count_noun

if TYPE_CHECKING:
    from arcdrift.intake.storing.import_file import ImportReport

_NAMED = 3
"""Stations without a site that are named in a notice."""


def reading_notices(session: CrewSession, reports: "Sequence[ImportReport]") -> list[str]:
    """Sentences about new readings that serve no site, and about pressures that are not used."""
    return [
        f"{report.file}: {sentence}"
        for report in reports
        if report.kind == "readings" and report.balance.accepted
        for sentence in _notices(session, report.import_id)
    ]


def _notices(session: CrewSession, import_id: int) -> list[str]:
    import pandas as pd

    from arcdrift.air.prepared_readings import prepare_readings, text_column
    from arcdrift.store.records.record_rows import read_imported_readings

    prepared = prepare_readings(read_imported_readings(session.engine, import_id), session.crew)
    station, site = text_column(prepared, "station"), text_column(prepared, "site")
    sentences = []
    unserved = station.notna() & site.isna()
    if unserved.any():
        names = sorted(station[unserved].unique())
        listed = ", ".join(names[:_NAMED]) + (", ..." if len(names) > _NAMED else "")
        sentences.append(
            f"the readings of {count_noun(len(names), 'weather station')} ({listed}) serve no "
            f'site; name a station in crew.toml, as station = "{names[0]}" under its site.'
        )
    unused = pd.DataFrame(
        {
            "place": site.fillna(text_column(prepared, "splicer")),
            "station": station.fillna(""),
            "why": prepared["air_problem"],
        }
    ).dropna()
    groups = unused.groupby(["place", "station", "why"]).size().reset_index(name="count")
    for place, of_station, why, rows in groups.itertuples(index=False, name=None):
        source = f"{of_station} for {place}" if of_station else place
        count = count_noun(rows, "reading")
        sentences.append(f"the pressure of {count} of {source} is not used: {why}.")
    return sentences
