"""Everything the pages of one crew read, and the few things a person may change there."""

import json
from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from time import monotonic
from typing import Any, Literal, NamedTuple
from zoneinfo import ZoneInfo

import pandas as pd
from sqlalchemy import ColumnElement, Select, func, select

from arcdrift.analysis.advice.advice import Advice
from arcdrift.analysis.advice.advice_from_store import advice_of_splicers, arc_state_from_store
from arcdrift.analysis.advice.expected_settings import ExpectedSettings, expected_settings
from arcdrift.analysis.budget.detection_delays import ChartPlan, chart_plans
from arcdrift.analysis.budget.replay_alarms import History, recorded_alarms, replay_alarms
from arcdrift.analysis.cases.cases_from_store import find_case, read_cases, state_case
from arcdrift.analysis.people.cleave_angles.angle_ewma import replay_angles
from arcdrift.analysis.people.signature_splices import SignatureSplices
from arcdrift.clock_bounds import MAX_AHEAD
from arcdrift.crew_setup import CrewSetup
from arcdrift.error_reasons import ErrorReasons
from arcdrift.errors import UsageError
from arcdrift.instants import microseconds
from arcdrift.intake.storing.conflict_decisions import close_rows, decide_conflicts
from arcdrift.intake.storing.written_records import WrittenKind, WrittenReport
from arcdrift.people import HIDDEN, LOCAL, Viewer
from arcdrift.record_subjects import Subjects
from arcdrift.settings import Crew, load_crew
from arcdrift.settings_file import save_budget, save_setup
from arcdrift.shares import Shares, with_added_shares
from arcdrift.store import schema
from arcdrift.store.annotations import baseline_marks, coaching
from arcdrift.store.annotations.clock_shifts import clock_shifts, true_time
from arcdrift.store.cases.revisit_rows import tick_off, undo_tick
from arcdrift.store.database.connect import reading
from arcdrift.store.imports.import_list import read_imported_files
from arcdrift.store.imports.import_undo import undo_import
from arcdrift.store.imports.set_aside_rows import read_conflicting, read_quarantined
from arcdrift.store.records.logged_reasons import logged_reasons
from arcdrift.store.records.record_changes import RecordsMark, records_mark, subjects_between
from arcdrift.store.records.record_overview import (
    are_mostly_after,
    assessment_time,
    max_splice_count,
    newest_records,
    read_splicers,
)
from arcdrift.store.records.record_sources import RecordSource, record_sources
from arcdrift.store.records.written_entries import WrittenEntry
from arcdrift.store.results.result_rows import read_analysis_mark
from arcdrift.wording import screen_text
from dashboard.reading.advice_cache import FRESH_SECONDS, AdviceCache, AdviceState
from dashboard.reading.settings_in_force import SettingsInForce, newer_settings
from dashboard.reading.signature_splices_cache import SignatureSplicesCache
from dashboard.reading.store_cache import (
    cached_by_events,
    cached_by_results,
    cached_by_version,
)
from dashboard.reading.stored_results import StoredResults
from dashboard.reading.written_down import WrittenDown

KEPT_PARTS = 64
"""Parts of pages that are kept for a viewer, of each kind."""
PAGE_ROWS = 100
"""Splices a long table fetches at a time."""
SPLICE_COLUMNS = (
    "spliced_at",
    "loss_db",
    "loss_below_db",
    "outcome",
    "error_reason",
    "holding",
    "technician",
    "site",
    "location",
    "fiber_a",
    "fiber_b",
    "cleave_left_deg",
    "cleave_right_deg",
    "remark",
)
Air = tuple[float | None, float | None, float | None]
"""Temperature in °C, pressure in hPa and humidity in %; None where it was not typed in."""


class SplicePage(NamedTuple):
    """Some rows of one stream, newest first, and how many there are."""

    rows: pd.DataFrame
    total: int


class CrewData(StoredResults):
    """Access of one viewer to one crew folder; safe to share between threads."""

    def __init__(
        self,
        folder: Path,
        viewer: Viewer = LOCAL,
        beside: "CrewData | None" = None,
        in_force: SettingsInForce | None = None,
    ) -> None:
        """Open a crew folder, or share what can be with an instance that is open."""
        super().__init__(folder, viewer, beside, in_force)
        self._advice_cache: AdviceCache = (
            AdviceCache(self) if beside is None else beside._advice_cache
        )
        self._signature_splices = SignatureSplicesCache(self, self._engine)
        self._written_down = WrittenDown(self._engine, self.crew)

    def seen_by(self, viewer: Viewer) -> "CrewData":
        """Return the same crew as another viewer may see it."""
        return CrewData(self._folder, viewer, self)

    def under_newer_settings(self) -> "CrewData | None":
        """Return the same data under crew.toml as it is now; None where it has not changed."""
        in_force = newer_settings(self._folder, self.in_force)
        if in_force is None:
            return None
        newer = CrewData(self._folder, self.viewer, self, in_force)
        self._advice_cache.use(newer)
        return newer

    @cached_by_results(KEPT_PARTS)
    def keep_with_results(self, make: Callable[..., Any], *given: Hashable) -> Any:
        """Return what a function makes of result tables, kept until the next analysis.

        Parameters
        ----------
        make : callable
            Takes this crew's data, then what is given.
        """
        return make(self, *given)

    @cached_by_events(KEPT_PARTS)
    def keep_with_events(self, make: Callable[..., Any], *given: Hashable) -> Any:
        """Return what a function makes of results, service and what people said."""
        return make(self, *given)

    @cached_by_version(KEPT_PARTS)
    def keep_with_store(self, make: Callable[..., Any], *given: Hashable) -> Any:
        """Return what a function makes of this data, kept until anything is stored."""
        return make(self, *given)

    def baseline_marks(self, splicer: str, program: str) -> pd.DataFrame:
        """Return the marks in force on a stream's baseline; not cached, as they change any time."""
        rows = baseline_marks.marks(self._engine)
        for column, value in (("splicer", splicer), ("program", program)):
            rows = rows[rows[column].isna() | (rows[column] == value)]
        return rows.assign(
            **{
                column: self.people.sentences(rows[column], self.names_of_people())
                for column in ("note", "said_by")
            }
        )

    def add_mark(self, **fields: Any) -> None:
        """Add a mark to a baseline (`arcdrift.store.annotations.baseline_marks.add_mark`)."""
        self.require_role("lead", "change what is usual")
        baseline_marks.add_mark(self._engine, **fields)

    def withdraw_mark(self, number: int) -> None:
        """Withdraw a mark of a baseline."""
        self.require_role("lead", "change what is usual")
        baseline_marks.withdraw_mark(self._engine, number)

    def write_down(
        self, kind: WrittenKind, cells: Mapping[str, str], *, when: str, by: str, splicer: str
    ) -> WrittenReport:
        """Write down a check, service or remark at a splicer (`WrittenDown.write`)."""
        zone = self.zone_of_splicer(splicer)
        return self._written_down.write(kind, cells, when=when, by=by, zone=zone)

    def undo_written(self, number: int, *, only_by: str | None = None) -> WrittenEntry:
        """Undo something that was written down (`WrittenDown.undo`)."""
        return self._written_down.undo(number, only_by=only_by)

    def cleavers_of(self, splicer: str) -> list[str]:
        """Return the names of the cleavers that are used with a splicer."""
        blades = self.result("result_blades")
        used = blades["splicers"].str.split(", ").map(lambda names: splicer in names)
        return sorted(blades.loc[used.astype(bool), "cleaver"]) if len(blades) else []

    @cached_by_events(64)
    def written_entries(self, splicer: str) -> list[WrittenEntry]:
        """Return what was written down about a splicer and its cleavers, the latest first."""
        names = self.names_of_people()
        return [
            replace(
                entry,
                written_by=self.people.written({"": entry.written_by}, names)[""],
                values=self.people.written(entry.values, names),
            )
            for entry in self._written_down.entries({splicer, *self.cleavers_of(splicer)})
        ]

    @cached_by_version(2)
    def imports(self) -> pd.DataFrame:
        """Return the list of imported files, the latest first."""
        return read_imported_files(self._engine)

    @cached_by_version(2)
    def rows_set_aside(self) -> pd.DataFrame:
        """Return the quarantined rows that nobody has mended or given up, by import and line."""
        return read_quarantined(self._engine)

    @cached_by_version(2)
    def conflicts(self) -> pd.DataFrame:
        """Return the conflicts that nobody has decided, by import and line."""
        return read_conflicting(self._engine)

    def record_sources(self, days: int) -> list[RecordSource]:
        """Return every splicer and source of readings (`record_sources`), as of now."""
        return self._record_sources(days, pd.Timestamp(self.present()).floor("h"))

    @cached_by_version(2)
    def _record_sources(self, days: int, hour: pd.Timestamp) -> list[RecordSource]:
        return record_sources(self._engine, max(hour, self.present()), days)

    @cached_by_version(2)
    def unknown_reasons(self) -> dict[str, int]:
        """Return logged reasons of errors of which no word is known, with how often each is."""
        mark = records_mark(self._engine)
        counted, reasons = self._logged_reasons(mark.changes)
        new = logged_reasons(self._engine, after=counted)
        counts = Counter(reasons) + Counter(new)
        return ErrorReasons(self.crew.error_reasons).unknown(dict(counts.most_common()))

    @cached_by_results(2)
    def _logged_reasons(self, _changes: int) -> tuple[int, dict[str, int]]:
        """Return the newest splice that was counted, and the reasons up to it.

        It takes a look at all splices, so that later ones are added and not counted again.
        """
        return max_splice_count(self._engine), logged_reasons(self._engine)

    def last_hand(self, splicer: str) -> str:
        """Return who worked last with a splicer, as may be shown; empty where nobody is on record.

        To a technician that is nobody but themselves.
        """
        days = self.result("result_check_days")
        days = days[(days["splicer"] == splicer) & days["technician"].notna()]
        return "" if days.empty else str(days.sort_values("day")["technician"].iloc[-1])

    def close_rows(self, numbers: Sequence[int], *, why: str, by: str) -> None:
        """Take quarantined rows that cannot be mended off the list."""
        close_rows(self._engine, numbers, why=why, by=by)

    def decide_conflict(self, number: int, choice: Literal["old", "new"], *, by: str) -> None:
        """Decide a conflict (`arcdrift.intake.storing.conflict_decisions.decide_conflicts`)."""
        self.require_role("trainer", "decide what counts")
        decide_conflicts(self._engine, choice, [number], by=by)

    def undo_import(self, number: int) -> None:
        """Undo an import (`arcdrift.store.imports.import_undo.undo_import`)."""
        undo_import(self._engine, number)

    def settings(self) -> Crew:
        """Return crew.toml as it stands now."""
        return load_crew(self._folder)

    def save_budget(self, false_alarms_per_month: float, shares: Shares) -> None:
        """Write the false-alarm budget into crew.toml."""
        self.require_role("lead", "change the alarm budget")
        save_budget(self._folder, false_alarms_per_month, shares)

    def has_records(self) -> bool:
        """Whether anything is stored, by an import or by hand."""
        return bool(self.imports()["undone_at"].isna().any()) or self.newest_record() is not None

    def save_setup(self, setup: CrewSetup) -> None:
        """Write what a new crew says about itself into crew.toml.

        Raises
        ------
        UsageError
            When the viewer may not, or there are records, which the old settings have dated.
        """
        self.require_role("lead", "set the crew up")
        if self.has_records():
            raise UsageError(
                "There are records by now; change crew.toml in the crew folder by hand."
            )
        save_setup(self._folder, setup)

    def service_shifts(self) -> dict[str, tuple[float, int]]:
        """Return how far each service action moves a stream's level, and events seen, by action."""
        shifts = self._run_summary().get("service_shift", {})
        return {
            str(action): (float(shift), int(events)) for action, (shift, events) in shifts.items()
        }

    def _run_summary(self) -> dict[str, Any]:
        """Return what the last analysis noted about itself."""
        summary: dict[str, Any] = json.loads(self.result("analysis_run")["summary"].iloc[-1])
        return summary

    def budget_in_use(self) -> tuple[float, Shares, float]:
        """Return the budget, shares and widening of the limits in the last analysis."""
        summary = self._run_summary()
        shares = summary.get("shares", self.crew.shares.model_dump())
        return (
            float(summary.get("false_alarms_per_month", self.crew.false_alarms_per_month)),
            Shares.model_validate(with_added_shares(shares)[0]),
            float(summary.get("widening", 1.0)),
        )

    @cached_by_results(2)
    def angle_widening(self) -> float:
        """Return the widening of the limits of cleave angles at the end of the last analysis."""
        budget, shares, _ = self.budget_in_use()
        _, widening = replay_angles(self.result("result_angle_days"), budget * shares.cleave)
        return widening

    def alarm_history(self) -> History:
        """Return the results from which alarms are worked out, everybody's; no page shows them."""
        return History.read(self._all_results.result)

    def alarms_under_budget(self, false_alarms_per_month: float, shares: Shares) -> pd.DataFrame:
        """Return every alarm under a budget, people as they may be seen."""
        return self._alarms_under_budget(false_alarms_per_month, tuple(shares.model_dump().items()))

    @cached_by_results(16)
    def _alarms_under_budget(
        self, budget: float, shares_items: tuple[tuple[str, float], ...]
    ) -> pd.DataFrame:
        shares = Shares.model_validate(dict(shares_items))
        history, (budget_in_use, shares_in_use, _) = self.alarm_history(), self.budget_in_use()
        in_use = (budget, shares) == (budget_in_use, shares_in_use)
        alarms = recorded_alarms(history) if in_use else replay_alarms(history, budget, shares)
        return self.people.subjects(alarms)

    def chart_plans(self, false_alarms_per_month: float, shares: Shares) -> list[ChartPlan]:
        """Return every kind of chart under a budget."""
        return self._chart_plans(false_alarms_per_month, tuple(shares.model_dump().items()))

    @cached_by_results(16)
    def _chart_plans(
        self, budget: float, shares_items: tuple[tuple[str, float], ...]
    ) -> list[ChartPlan]:
        return chart_plans(self.alarm_history(), budget, Shares.model_validate(dict(shares_items)))

    def today(self) -> date:
        """Return the local day that counts as today."""
        return self.present().astimezone(self.zone()).date()

    def present(self) -> datetime:
        """Return the instant (UTC) that counts as now."""
        now = datetime.now(UTC)
        return (
            self._newest_in(now.replace(minute=0, second=0, microsecond=0))
            if self._clock_stands_still
            else now
        )

    @cached_by_version(2)
    def _newest_in(self, hour: datetime) -> datetime:
        """Return the instant of the newest record that can be believed in an hour."""
        found = assessment_time(self._engine, self.crew, lambda _: self._lie_in_future(hour))
        return found.to_pydatetime()

    @cached_by_results(2)
    def _lie_in_future(self, hour: datetime) -> bool:
        """Return whether most records do, as invented logs may; it takes a look at all of them."""
        return are_mostly_after(self._engine, hour + MAX_AHEAD)

    def workday(self) -> str:
        """Return the ISO local workday that is running, which may begin after midnight."""
        here = self.present().astimezone(self.zone()).replace(tzinfo=None)
        return (here - self.crew.day_offset).date().isoformat()

    @cached_by_version(2)
    def newest_record(self) -> datetime | None:
        """Return the instant (UTC) of the newest splice or check that does not lie in the future.

        None where there is none.
        """
        return max(newest_records(self._engine, self.present()).values(), default=None)

    def _name_behind(self, shown_name: str) -> str | None:
        return self.people.named(shown_name, self.technicians())

    def coaching_notes(self, shown_name: str) -> pd.DataFrame:
        """Return the notes on a person; not cached, as they change at any time."""
        name = self._name_behind(shown_name)
        rows = coaching.notes(self._engine, name) if name else coaching.notes(self._engine)[:0]
        return rows.assign(
            **{
                column: self.people.sentences(rows[column], self.names_of_people())
                for column in ("topic", "note", "said_by")
            }
        )

    def all_coaching_notes(self) -> pd.DataFrame:
        """Return the notes on everybody who may be seen, by shown name, the oldest first."""
        rows = self.people.figures(coaching.notes(self._engine))
        names = self.names_of_people()
        return rows.assign(
            **{
                column: self.people.sentences(rows[column], names)
                for column in ("topic", "note", "said_by")
            }
        )

    def add_note(self, shown_name: str, **fields: Any) -> None:
        """Add a note on a person (`arcdrift.store.annotations.coaching.add_note`).

        Raises
        ------
        UsageError
            Where that person may not be seen, or the note cannot be kept as it is.
        """
        self.require_role("trainer", "write in the coaching log")
        name = self._name_behind(shown_name)
        if name is None:
            hidden = not self.people.any_pages
            raise UsageError(HIDDEN if hidden else f"Nobody named {shown_name[:80]} is on record.")
        coaching.add_note(self._engine, name, **fields, today=self.today())

    def withdraw_note(self, shown_name: str, number: int) -> None:
        """Withdraw a note on a person.

        Raises
        ------
        UsageError
            Where there is no such note on that person.
        """
        self.require_role("trainer", "change the coaching log")
        if number not in set(self.coaching_notes(shown_name)["id"]):
            raise UsageError(f"There is no coaching note {number} here; it was taken back before.")
        coaching.withdraw_note(self._engine, number)

    def state_case(self, case_id: str, action: str, **fields: Any) -> None:
        """Write down what a person says about a case.

        Parameters
        ----------
        fields
            ``said_by``, ``why``, ``how``, ``acted_on`` and ``based_on``, the ``version`` of the
            case that the person saw (`arcdrift.analysis.cases.cases_from_store.state_case`).

        Raises
        ------
        UsageError
            Where that cannot be said of the case, or it may not be seen.
        """
        visible = find_case(self.cases(), case_id)
        case = find_case(read_cases(self._engine), visible["id"])
        state_case(self._engine, case, action, **fields)

    def zone_of_case(self, case_id: str) -> ZoneInfo:
        """Return the time zone of a case's subject; of the crew where there is no such case."""
        case = next((one for one in self.cases() if one["id"] == case_id), None)
        if case is None:
            return self.zone()
        kind, name = case["subject"]["type"], case["subject"]["id"]
        return self.zone_of_splicer(name) if kind == "splicer" else self.zone()

    def tick_off_splice(self, splice_id: int, said_by: str, note: str = "") -> None:
        """Tick a splice off the list of splices to revisit."""
        with self._names_hidden():  # it may name who ticked it off before
            tick_off(self._engine, splice_id, said_by, note)

    def undo_tick(self, splice_id: int, said_by: str = "") -> None:
        """Put a splice back on the list of splices to revisit.

        A technician may take back only their own tick: somebody else was at that place.

        Parameters
        ----------
        said_by : str
            Name under which whoever asks writes things down.

        Raises
        ------
        UsageError
            When nobody ticked it off, or somebody else and the role does not suffice.
        """
        with self._names_hidden():
            only_by = None if self.viewer.has_role("trainer") else said_by
            undo_tick(self._engine, splice_id, only_by=only_by)

    def may_undo_tick(self, ticked_off_by: str, said_by: str) -> bool:
        """Whether a tick by somebody may be taken back by whoever asks."""
        return self.viewer.has_role("trainer") or ticked_off_by == said_by

    @contextmanager
    def _names_hidden(self) -> Iterator[None]:
        """Leave names that may not be shown out of a refusal."""
        try:
            yield
        except UsageError as problem:
            written = self.people.written({"": str(problem)}, self.names_of_people())
            raise UsageError(written[""]) from None

    def signature_splices(self, shown_name: str, kind: str) -> SignatureSplices | None:
        """Return the splices behind a person's signature; None where there is no such signature."""
        name = self._name_behind(shown_name)
        return None if name is None else self._signature_splices.get(name, kind)

    def advice(
        self,
        splicer: str,
        temperature: float | None,
        pressure: float | None,
        humidity: float | None,
        elsewhere: str | None = None,
    ) -> Advice:
        """Return advice for a splicer now, with typed air or the newest reading.

        Parameters
        ----------
        elsewhere : str, optional
            Another site whose air counts instead of that where the splicer is.
        """
        air = (temperature, pressure, humidity)
        if elsewhere is None and air == (None, None, None):
            advice = self.crew_advice([splicer]).get(splicer)
            return self._advice_now([splicer])[splicer] if advice is None else advice
        # where the crew's clock stands still with its newest record, advice does not age
        age_period = (
            0 if self._clock_stands_still else int(datetime.now(UTC).timestamp() // FRESH_SECONDS)
        )
        return self._advice_in_typed_air(age_period, splicer, air, elsewhere)

    @cached_by_version(256)
    def _advice_in_typed_air(
        self, age_period: int, splicer: str, air: Air, elsewhere: str | None
    ) -> Advice:
        return self._advice_now([splicer], air, elsewhere)[splicer]

    def crew_advice(self, splicers: Iterable[str] | None = None) -> dict[str, Advice]:
        """Return the advice now, in its newest air, for every splicer that has records, or some.

        It takes much less time than to ask for one after the other.
        """
        names = list(self.splicers() if splicers is None else splicers)
        found = self._advice_cache.get(names)
        return {name: advice for name, advice in found.items() if advice is not None}

    def without_advice(self, splicers: Iterable[str]) -> list[str]:
        """Return the splicers whose advice in the newest air is not at hand: it takes time."""
        return self._advice_cache.missing(splicers)

    def prefetch_advice(self) -> None:
        """Work out every splicer's advice in the background, before a page asks for it."""
        if self.run() is not None:
            self._advice_cache.prefetch(self.splicers())

    def stop_prefetching(self) -> None:
        """Begin nothing more in the background, as the server is about to stop."""
        self._advice_cache.stop()

    def keep_advice_ready(self) -> None:
        """Work every splicer's advice out in the background, also after each import."""
        self._advice_cache.keep_ready()
        self.prefetch_advice()

    @cached_by_version(4)
    def advice_state(self) -> AdviceState:
        """Return the state of whatever advice is worked out from."""
        basis = f"{read_analysis_mark(self._engine)} {self.in_force.stamp}"
        return AdviceState(basis, records_mark(self._engine))

    def subjects_between(self, earlier: RecordsMark, now: RecordsMark) -> Subjects | None:
        """Return what records are about that are new since a mark; None where it may be any."""
        return subjects_between(self._engine, earlier, now)

    def advice_seconds(self) -> float:
        """Return the seconds of the clock by which advice ages."""
        at = self._advice_time()
        return monotonic() if at is None else at.timestamp()

    @property
    def _clock_stands_still(self) -> bool:
        return self.crew.clock == "newest-record"

    def compute_advice(self, splicers: Sequence[str]) -> dict[str, Advice | None]:
        """Work out the advice for some splicers; None for one that has no records."""
        known = set(read_splicers(self._engine))
        found = self._advice_now([name for name in splicers if name in known])
        return {name: found.get(name) for name in splicers}

    def _advice_now(
        self, splicers: Sequence[str], air: Air = (None, None, None), elsewhere: str | None = None
    ) -> dict[str, Advice]:
        temperature, pressure, humidity = air
        found = advice_of_splicers(
            self._engine,
            self.crew,
            splicers,
            at=self._advice_time(),
            temperature_c=temperature,
            pressure_hpa=pressure,
            humidity_pct=humidity,
            elsewhere=elsewhere,
        )
        return {
            name: replace(advice, reasons=tuple(map(screen_text, advice.reasons)))
            for name, advice in found.items()
        }

    def expected_settings(self, splicer: str) -> ExpectedSettings | str:
        """Return the settings to expect of a splicer in any air; else why none can be told."""
        return expected_settings(
            *arc_state_from_store(self._engine, self.crew, splicer, self._advice_time())
        )

    def _advice_time(self) -> pd.Timestamp | None:
        """Return the instant that advice is for; None for the time of the computer."""
        run = self.run()
        if run is None or not self._clock_stands_still:
            return None
        # what was written down since the analysis counts at once
        return max(pd.Timestamp(run.now), pd.Timestamp(self.present()))

    def splice_page(
        self,
        splicer: str,
        program: str,
        *,
        start: int = 0,
        rows: int | None = PAGE_ROWS,
        day: str = "",
    ) -> SplicePage:
        """Return rows of one stream, newest first; all of them when `rows` is None.

        Parameters
        ----------
        day : str
            ISO local workday; empty for all days.
        """
        t = schema.splices.c
        spliced_at = self._true_time(splicer)
        columns = (spliced_at if name == "spliced_at" else t[name] for name in SPLICE_COLUMNS)
        query = (
            self._of_stream(select(*columns), splicer, program, day)
            .order_by(spliced_at.desc(), t.id.desc())
            .offset(start)
        )
        with reading(self._engine) as connection:
            found = connection.execute(query.limit(rows) if rows is not None else query).all()
        frame = pd.DataFrame(found, columns=list(SPLICE_COLUMNS))
        instants = pd.to_datetime(frame["spliced_at"], unit="us", utc=True)
        frame["spliced_at"] = self.local_times(instants, splicer)
        for name in ("remark", "error_reason"):
            frame[name] = self.people.sentences(frame[name], self.names_of_people())
        return SplicePage(self.people.renamed(frame), self.count_splices(splicer, program, day))

    @cached_by_version(256)
    def count_splices(self, splicer: str, program: str, day: str) -> int:
        """Return how many splices a stream has, on an ISO local workday or, if empty, on all."""
        count = select(func.count()).select_from(schema.splices)
        with reading(self._engine) as connection:
            query = self._of_stream(count, splicer, program, day)
            return int(connection.execute(query).scalar_one())

    def _true_time(self, splicer: str) -> ColumnElement[int]:
        return true_time(schema.splices, clock_shifts(self._engine, splicers=[splicer]))

    def _of_stream(self, query: Select[Any], splicer: str, program: str, day: str) -> Select[Any]:
        t = schema.splices.c
        query = query.where(t.splicer == splicer, t.program == program)
        if not day:
            return query
        midnight = datetime.fromisoformat(day).replace(tzinfo=self.zone_of_splicer(splicer))
        start = midnight + self.crew.day_offset
        spliced_at = self._true_time(splicer)
        return query.where(
            spliced_at >= microseconds(start),
            spliced_at < microseconds(start + timedelta(days=1)),
        )
