"""Reading one crew folder: settings, results of the last analysis, service records.

Results are cached under the store's version, so that an import or an analysis shows at once and
nothing is read twice. Frames handed out are shared between sessions: pages never change them.

What one viewer may not see of other people is left out here, before any page or export.
"""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import pandas as pd
from sqlalchemy import Engine

from arcdrift.analysis.cases.cases_from_store import read_cases
from arcdrift.analysis.people.technician_report import stored_document
from arcdrift.errors import UsageError
from arcdrift.people import LOCAL, People, Role, Viewer
from arcdrift.settings import Crew
from arcdrift.store.accounts.user_accounts import user_accounts
from arcdrift.store.cases.kept_cases import read_first_found
from arcdrift.store.cases.revisit_rows import read_revisit
from arcdrift.store.database.connect import open_crew_store
from arcdrift.store.records.future_records import future_sentence, records_in_future
from arcdrift.store.records.record_rows import read_records
from arcdrift.store.results.result_rows import (
    read_findings,
    read_result,
    read_technicians,
)
from arcdrift.store.results.store_versions import RecordsVersion, is_outdated
from arcdrift.wording import screen_text
from dashboard.reading.losses_made_again import losses_made_again
from dashboard.reading.one_state import Made, make_in_one_state, read_state
from dashboard.reading.people_in_results import visible_results
from dashboard.reading.revisit_rows import RevisitRows, sorted_rows
from dashboard.reading.settings_in_force import SettingsInForce, first_settings
from dashboard.reading.store_cache import (
    cached_by_events,
    cached_by_results,
    cached_by_version,
)


class Run(NamedTuple):
    """The last analysis: the instant it speaks of, when it was made (both UTC), what it read."""

    now: datetime
    assessed_on: datetime
    splices: int
    checks: int
    records: RecordsVersion


class AllResults:
    """The result tables of one crew, whole: what computations need, and no page."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine

    @cached_by_results(512)
    def result(self, table: str, /, **equals: str) -> pd.DataFrame:
        """Return the rows of a result table whose columns equal the given values."""
        return read_result(self.engine, table, **equals)


class StoredResults:
    """What the last analysis stored about one crew, as one viewer may see it.

    Safe to share between threads.
    """

    def __init__(
        self,
        folder: Path,
        viewer: Viewer = LOCAL,
        beside: "StoredResults | None" = None,
        in_force: SettingsInForce | None = None,
    ) -> None:
        """Open a crew folder, or share all but the viewer with an instance that is open.

        Parameters
        ----------
        in_force : SettingsInForce, optional
            Settings to use; by default those of the instance that is open, else of the folder.
        """
        self._folder = folder
        self.viewer = viewer
        if in_force is None:
            in_force = first_settings(folder) if beside is None else beside.in_force
        self.in_force: SettingsInForce = in_force
        self.crew: Crew = in_force.crew
        self.people = People(self.crew, viewer)
        self._engine: Engine = (
            open_crew_store(folder, self.crew) if beside is None else beside._engine
        )
        self._all_results: AllResults = (
            AllResults(self._engine) if beside is None else beside._all_results
        )

    @property
    def engine(self) -> Engine:
        """The store."""
        return self._engine

    def require_role(self, least: Role, to_do: str) -> None:
        """Check that the viewer has a role or a higher one.

        Parameters
        ----------
        to_do : str
            What needs it, such as "change the alarm budget".

        Raises
        ------
        UsageError
            When the role does not suffice.
        """
        if not self.viewer.has_role(least):
            raise UsageError(f"Only a {least} may {to_do}; ask one of your crew.")

    def version(self) -> str:
        """Return a text that changes with every import, analysis and change of crew.toml."""
        return f"{read_state(self._engine).version} {self.in_force.stamp}"

    def in_one_state(self, make: Callable[[], Made]) -> Made:
        """Make something, a page for example, of one state of the store."""
        return make_in_one_state(self._engine, lambda _state: make())

    @cached_by_results(512)
    def result(self, table: str, /, **equals: str) -> pd.DataFrame:
        """Return the rows of a result table whose columns equal the given values."""
        return visible_results(self.people, table, self._all_results.result(table, **equals))

    @cached_by_results(2)
    def technicians(self) -> list[str]:
        """Return the names of all technicians in the results; not to be shown."""
        return read_technicians(self._engine)

    def run(self) -> Run | None:
        """Return the last analysis, None when there was none."""
        rows = self.result("analysis_run")
        if rows.empty:
            return None
        row = rows.iloc[-1]
        return Run(
            row["now"].to_pydatetime(),
            row["assessed_on"].to_pydatetime(),
            int(row["splices"]),
            int(row["checks"]),
            RecordsVersion.parse(row["records_version"]),
        )

    @cached_by_version(2)
    def outdated(self) -> bool:
        """Whether records, or what people set, were changed since the last analysis."""
        return is_outdated(self._engine, self.crew)

    def records_in_future(self) -> str:
        """Return a sentence about records that lie in the future; empty without any."""
        minute = pd.Timestamp.now("UTC").floor("min")
        return self._records_in_future(minute)

    @cached_by_version(2)
    def _records_in_future(self, now: pd.Timestamp) -> str:
        return future_sentence(records_in_future(self._engine, now), self.zone().key)

    def names_of_people(self) -> list[str]:
        """Return all names to leave out of sentences where they may not be shown.

        These are technicians, and the names that others of them sign in with.
        """
        if self.viewer.role != "technician":
            return self.technicians()
        others = (
            account.name
            for account in user_accounts(self._engine)
            if account.technician not in (None, self.viewer.technician)
        )
        return [*self.technicians(), *others]

    @cached_by_events(2)
    def findings(self) -> list[dict[str, Any]]:
        """Return every finding of the last analysis that may be seen.

        Each has ``case_state`` too, the state of its case (None for those of no case), and
        ``case_step``, the next step of an open case of which something was done, else empty.
        """
        names = self.technicians()
        visible = (self.people.finding(stored, names) for stored in read_findings(self._engine))
        cases = {case["id"]: case for case in self.cases()}
        found = []
        for finding in visible:
            if finding is not None:
                case = cases.get(finding["case_id"])
                state, step = (None, "") if case is None else (case["state"], case["next_step"])
                acted_on = case is not None and state != "closed" and bool(case["actions"])
                words: dict[str, Any] = {
                    key: screen_text(finding[key]) for key in ("summary", "next_step")
                }
                words["likely_causes"] = [
                    cause | {"why": screen_text(cause["why"])} for cause in finding["likely_causes"]
                ]
                found.append(
                    finding | words | {"case_state": state, "case_step": step if acted_on else ""}
                )
        return found

    @cached_by_events(2)
    def cases(self) -> list[dict[str, Any]]:
        """Return every case that may be seen as it stands now, the most pressing first.

        The rows are those of `arcdrift.analysis.cases.case_states.case_view`.
        """
        names = self.names_of_people()
        visible = (self.people.case(case, names) for case in read_cases(self._engine))
        return [case for case in visible if case is not None]

    @cached_by_events(2)
    def cases_found_at(self) -> dict[str, datetime]:
        """Return when an analysis first found each case (UTC), by the case's id."""
        return read_first_found(self._engine)

    @cached_by_events(2)
    def splices_to_revisit(self) -> list[dict[str, Any]]:
        """Return the splices over the limit, newest first, with who ticked them off."""
        names = self.names_of_people()
        return [self.people.written(row, names) for row in read_revisit(self._engine)]

    @cached_by_events(16)
    def revisit_rows(self, site: str | None = None, splicer: str | None = None) -> RevisitRows:
        """Return the splices over the limit of a site and a splicer, sorted by their state."""
        return sorted_rows(self.splices_to_revisit(), site, splicer)

    def losses_made_again(self, rows: Sequence[Mapping[str, Any]]) -> dict[int, float]:
        """Return the loss in dB of the later splice at the place of each splice made again."""
        return losses_made_again(self._engine, rows, self.splicers())

    @cached_by_results(2)
    def prep_document(self) -> dict[str, Any]:
        """Return what the last review stored about preparation besides its tables."""
        document = stored_document(self._all_results.result("result_prep"))
        if self.people.sees_everybody:
            return document
        sentences = pd.Series(document.get("not_told_apart", []), dtype="str")
        visible = self.people.sentences(sentences, self.technicians())
        return document | {"not_told_apart": visible.tolist()}

    @cached_by_results(2)
    def splicers(self) -> list[str]:
        """Return the name of every splicer known from records or settings."""
        recorded = set(self.result("result_check_days")["splicer"]) if self.run() else set()
        return sorted(recorded | set(self.crew.splicers))

    def zone(self, site: str | None = None) -> ZoneInfo:
        """Return the time zone of a site; of the crew, or of its first site, when none is named."""
        name = self.crew.zone_of(site) or next(
            (s.time_zone for s in self.crew.sites.values() if s.time_zone), None
        )
        return ZoneInfo(name or "UTC")

    def zone_of_splicer(self, splicer: str) -> ZoneInfo:
        """Return the time zone of the splicer's home site."""
        settings = self.crew.splicers.get(splicer)
        return self.zone(settings.home_site if settings else None)

    def unit(self, splicer: str) -> str:
        """Return the unit of the splicer's arc setting."""
        settings = self.crew.splicers.get(splicer)
        return settings.setting_unit if settings else "steps"

    def local_times(self, instants: pd.Series, splicer: str) -> pd.Series:
        """Convert instants to naive local times at a splicer's home site."""
        zone = self.zone_of_splicer(splicer)
        local: pd.Series = instants.dt.tz_convert(zone).dt.tz_localize(None)
        return local

    @cached_by_events(64)
    def service_records(self, splicer: str) -> pd.DataFrame:
        """Return the service events of a splicer as stored: ``serviced_at`` (UTC), ``action``."""
        rows = read_records(self._engine, "service", splicers=[splicer])
        return rows.assign(remark=self.people.sentences(rows["remark"], self.names_of_people()))

    @cached_by_events(64)
    def service(self, splicer: str) -> pd.DataFrame:
        """Return the service events of a splicer: ``at`` (naive local), ``action``, ``remark``."""
        rows = self.service_records(splicer)
        at = self.local_times(rows["serviced_at"], splicer)
        return rows.assign(at=at)[["at", "action", "remark"]]

    @cached_by_events(2)
    def all_service(self) -> pd.DataFrame:
        """Return the service events of all splicers and cleavers.

        Returns
        -------
        DataFrame
            ``asset``, ``splicer``, ``at`` (naive, local to that splicer's home site), ``action``.
            An event of a cleaver has one row for each splicer the cleaver is used with.
        """
        rows = read_records(self._engine, "service")
        blades = self.result("result_blades")
        splicers_by_cleaver = {
            cleaver: splicers.split(", ")
            for cleaver, splicers in zip(blades["cleaver"], blades["splicers"], strict=True)
        }
        rows = rows.assign(
            splicer=[splicers_by_cleaver.get(asset, [asset]) for asset in rows["asset"]]
        )
        rows = rows.explode("splicer", ignore_index=True)
        at = pd.Series(pd.NaT, index=rows.index, dtype="datetime64[us]")
        for splicer, serviced_at in rows.groupby("splicer")["serviced_at"]:
            at.loc[serviced_at.index] = self.local_times(serviced_at, str(splicer))
        return rows.assign(at=at)[["asset", "splicer", "at", "action"]]

    def worked_by(self, shown_name: str) -> pd.DataFrame:
        """Return the days of a person on each splicer: ``splicer``, ``day``."""
        cells = self.result("result_loss_cells")
        name = self.people.named(shown_name, cells["technician"].unique())
        return cells.loc[cells["technician"] == name, ["splicer", "day"]].drop_duplicates()
