"""What the pages may read: results of the last analysis, and raw rows of one stream.

The few things a person may change here, marks of baselines and the false-alarm budget, go through
here too. Everything is cached under the store's version, so an import or an analysis shows at once
and nothing is read twice. Frames handed out are shared between sessions: pages never change them.
"""

import json
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from math import inf
from pathlib import Path
from time import monotonic
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import pandas as pd
from sqlalchemy import ColumnElement, Select, func, select

from arcdrift.analysis.advice.advice import Advice
from arcdrift.analysis.advice.advice_from_store import advise_now
from arcdrift.analysis.budget.replay_alarms import History, recorded_alarms, replay_alarms
from arcdrift.analysis.people.signature_splices import SignatureSplices
from arcdrift.analysis.people.technician_report import stored_document
from arcdrift.errors import UsageError
from arcdrift.people import HIDDEN, People
from arcdrift.settings import Crew, Shares, load_crew
from arcdrift.settings_file import save_budget
from arcdrift.store import baseline_marks, coaching, read, schema
from arcdrift.store.clock_shifts import clock_shifts, true_time
from arcdrift.store.connect import open_store, reading
from arcdrift.times import microseconds
from dashboard.advice_cache import FRESH_SECONDS, KeptAdvice
from dashboard.signature_splices_cache import SplicesBehind

PAGE_ROWS = 100
VERSION_SECONDS = 0.5
RECORDS_OF_PEOPLE = ("result_check_days", "result_exceptions")
"""Results that name who did something, as the records do."""
SPLICE_COLUMNS = (
    "spliced_at",
    "loss_db",
    "outcome",
    "technician",
    "site",
    "location",
    "fiber_a",
    "fiber_b",
    "cleave_left_deg",
    "cleave_right_deg",
    "remark",
)


class Run(NamedTuple):
    """The last analysis: the instant it speaks of and when it was made, both UTC."""

    now: datetime
    assessed_on: datetime
    splices: int
    checks: int


class SplicePage(NamedTuple):
    """Some rows of one stream, newest first, and how many there are."""

    rows: pd.DataFrame
    total: int


class CrewData:
    """Access to one crew folder, safe to share between threads."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.crew = load_crew(folder)
        self.people = People(self.crew)
        self._engine = open_store(folder)
        self._version = (-inf, "")
        self._result = lru_cache(maxsize=512)(self._read_result)
        self._prep = lru_cache(maxsize=2)(self._read_prep)
        self._findings = lru_cache(maxsize=2)(self._read_findings)
        self._outdated = lru_cache(maxsize=2)(self._ask_outdated)
        self._trial = lru_cache(maxsize=16)(self._work_out_trial)
        self._service = lru_cache(maxsize=64)(self._read_service)
        self._service_records = lru_cache(maxsize=64)(self._read_service_records)
        self._all_service = lru_cache(maxsize=2)(self._read_all_service)
        self._advice = lru_cache(maxsize=256)(self._ask_advice)
        self._kept = KeptAdvice(
            lambda splicer: self._ask_advice("", 0, splicer, None, None, None, None),
            stands_still=self._stands_still,
        )
        self._behind = SplicesBehind(self._engine, self.crew, self.result)
        self._count = lru_cache(maxsize=256)(self._count_splices)

    def version(self) -> str:
        """Return a text that changes whenever an import or an analysis was stored.

        Asked of the store at most twice a second, since one page asks many times.
        """
        asked, version = self._version
        now = monotonic()
        if now - asked > VERSION_SECONDS:
            version = str(read.store_version(self._engine))
            self._version = (now, version)
        return version

    def result(self, table: str, **equals: str) -> pd.DataFrame:
        """Rows of a result table where columns equal the given values; not to be changed."""
        return self._result(self.version(), table, tuple(sorted(equals.items())))

    def _read_result(
        self, version: str, table: str, equals: tuple[tuple[str, str], ...]
    ) -> pd.DataFrame:
        rows = read.result(self._engine, table, **dict(equals))
        # who was at a splicer or made a splice is a record; figures about people are asked for
        # elsewhere
        return self.people.renamed(rows) if table in RECORDS_OF_PEOPLE else rows

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
        )

    def outdated(self) -> bool:
        """Whether records or baselines were changed since the last analysis."""
        return self._outdated(self.version())

    def _ask_outdated(self, version: str) -> bool:
        run = self.run()
        return run is not None and read.changed_since(self._engine, run.assessed_on)

    def baseline_marks(self, splicer: str, program: str) -> pd.DataFrame:
        """Marks that stand on a stream's baseline; not cached, they change at any time."""
        rows = baseline_marks.marks(self._engine)
        mine = [rows[name].isna() | (rows[name] == value)
                for name, value in (("splicer", splicer), ("program", program))]  # fmt: skip
        return rows[mine[0] & mine[1]]

    def add_mark(self, **said: Any) -> None:
        """Write a mark of a baseline down (`arcdrift.store.baseline_marks.add_mark`)."""
        baseline_marks.add_mark(self._engine, **said)
        self._version = (-inf, "")

    def withdraw_mark(self, number: int) -> None:
        """Take a mark of a baseline back."""
        baseline_marks.withdraw_mark(self._engine, number)
        self._version = (-inf, "")

    def settings(self) -> Crew:
        """Return crew.toml as it stands now."""
        return load_crew(self._folder)

    def save_budget(self, false_alarms_per_month: float, shares: Shares) -> None:
        """Write the false-alarm budget into crew.toml."""
        save_budget(self._folder, false_alarms_per_month, shares)

    def used(self) -> tuple[float, Shares, float]:
        """Budget, shares and widening of the limits in the last analysis."""
        summary = json.loads(self.result("analysis_run")["summary"].iloc[-1])
        return (
            float(summary.get("false_alarms_per_month", self.crew.false_alarms_per_month)),
            Shares.model_validate(summary.get("shares", self.crew.shares.model_dump())),
            float(summary.get("widening", 1.0)),
        )

    def history(self) -> History:
        """Return what a trial of another budget reads."""
        return History(
            *(
                self.result(table)
                for table in (
                    "result_stream_days",
                    "result_subject_days",
                    "result_loss_cells",
                    "result_arc_points",
                )
            )
        )

    def trial(self, false_alarms_per_month: float, shares: Shares) -> pd.DataFrame:
        """Every alarm under a budget, people as they may be seen; not to be changed."""
        return self._trial(
            self.version(), false_alarms_per_month, tuple(shares.model_dump().items())
        )

    def _work_out_trial(
        self, version: str, budget: float, shares: tuple[tuple[str, float], ...]
    ) -> pd.DataFrame:
        asked = Shares.model_validate(dict(shares))
        history, (now, in_use, _) = self.history(), self.used()
        same = (budget, asked) == (now, in_use)
        return self.people.subjects(
            recorded_alarms(history) if same else replay_alarms(history, budget, asked)
        )

    def findings(self) -> list[dict[str, Any]]:
        """Every finding of the last analysis."""
        return self._findings(self.version())

    def _read_findings(self, version: str) -> list[dict[str, Any]]:
        names = read.technicians(self._engine)
        told = (self.people.finding(one, names) for one in read.findings(self._engine))
        return [one for one in told if one is not None]

    def prep_document(self) -> dict[str, Any]:
        """The last review's own words on prep."""
        return self._prep(self.version())

    def _read_prep(self, version: str) -> dict[str, Any]:
        return stored_document(self.result("result_prep"))

    def coaching(self, shown: str) -> pd.DataFrame:
        """Notes on a person, by the name that is shown; not cached, they change at any time."""
        name = self.people.named(shown, read.technicians(self._engine))
        return coaching.notes(self._engine, name) if name else coaching.notes(self._engine)[:0]

    def today(self) -> date:
        """Return the local day that counts as today."""
        return read.assessment_time(self._engine, self.crew).tz_convert(self.zone()).date()

    def add_note(self, shown: str, **said: Any) -> None:
        """Write a note on a person down (`arcdrift.store.coaching.add_note`).

        Raises
        ------
        UsageError
            Where that person may not be seen, or the note cannot be kept as it is.
        """
        name = self.people.named(shown, read.technicians(self._engine))
        if name is None:
            raise UsageError(self._unseen(shown))
        coaching.add_note(self._engine, name, **said, today=self.today())

    def withdraw_note(self, shown: str, number: int) -> None:
        """Take back a note on a person.

        Raises
        ------
        UsageError
            Where there is no such note on that person.
        """
        if number not in set(self.coaching(shown)["id"]):
            raise UsageError(f"There is no coaching note {number} here; it was taken back before.")
        coaching.withdraw_note(self._engine, number)

    def _unseen(self, shown: str) -> str:
        if not self.people.any_pages:
            return HIDDEN
        return f"Nobody named {shown[:80]} is on record."

    def signature_splices(self, shown: str, kind: str) -> SignatureSplices | None:
        """Splices behind a person's signature, by the name that is shown; not to be changed."""
        name = self.people.named(shown, read.technicians(self._engine))
        return None if name is None else self._behind.of(self.version(), name, kind)

    def splicers(self) -> list[str]:
        """Every splicer known from records or settings."""
        seen = set(self.result("result_check_days")["splicer"]) if self.run() else set()
        return sorted(seen | set(self.crew.splicers))

    def zone(self, site: str | None = None) -> ZoneInfo:
        """Time zone of a site; of the crew, or of its first site, when none is named."""
        name = self.crew.zone_of(site) or next(
            (s.time_zone for s in self.crew.sites.values() if s.time_zone), None
        )
        return ZoneInfo(name or "UTC")

    def zone_of_splicer(self, splicer: str) -> ZoneInfo:
        """Time zone of the splicer's home site."""
        known = self.crew.splicers.get(splicer)
        return self.zone(known.home_site if known else None)

    def unit(self, splicer: str) -> str:
        """Return the unit of the splicer's arc setting."""
        known = self.crew.splicers.get(splicer)
        return known.setting_unit if known else "steps"

    def service(self, splicer: str) -> pd.DataFrame:
        """Service events of a splicer: ``at`` (naive local), ``action``, ``remark``."""
        return self._service(self.version(), splicer)

    def service_records(self, splicer: str) -> pd.DataFrame:
        """Service events of a splicer as stored: ``serviced_at`` (UTC), ``action``."""
        return self._service_records(self.version(), splicer)

    def _read_service_records(self, version: str, splicer: str) -> pd.DataFrame:
        return read.records(self._engine, "service", splicers=[splicer])

    def _read_service(self, version: str, splicer: str) -> pd.DataFrame:
        rows = self.service_records(splicer)
        at = self._at_home(rows["serviced_at"], splicer)
        return rows.assign(at=at)[["at", "action", "remark"]]

    def _at_home(self, at: pd.Series, splicer: str) -> pd.Series:
        """Instants as naive local time at a splicer's home."""
        local: pd.Series = at.dt.tz_convert(self.zone_of_splicer(splicer)).dt.tz_localize(None)
        return local

    def all_service(self) -> pd.DataFrame:
        """Service events of splicers and cleavers: ``asset``, ``splicer``, ``at``, ``action``.

        What was done to a cleaver is told once for each splicer it is used with; ``at`` is naive,
        local to that splicer's home.
        """
        return self._all_service(self.version())

    def _read_all_service(self, version: str) -> pd.DataFrame:
        rows = read.records(self._engine, "service")
        blades = self.result("result_blades")
        used = {
            cleaver: splicers.split(", ")
            for cleaver, splicers in zip(blades["cleaver"], blades["splicers"], strict=True)
        }
        rows = rows.assign(splicer=[used.get(name, [name]) for name in rows["asset"]])
        rows = rows.explode("splicer", ignore_index=True)
        at = pd.Series(pd.NaT, index=rows.index, dtype="datetime64[us]")
        for splicer, mine in rows.groupby("splicer")["serviced_at"]:
            at.loc[mine.index] = self._at_home(mine, str(splicer))
        return rows.assign(at=at)[["asset", "splicer", "at", "action"]]

    def worked_by(self, shown: str) -> pd.DataFrame:
        """Days of a person on each splicer, by the name that is shown: ``splicer``, ``day``."""
        cells = self.result("result_loss_cells")
        name = self.people.named(shown, cells["technician"].unique())
        return cells.loc[cells["technician"] == name, ["splicer", "day"]].drop_duplicates()

    def advice(
        self,
        splicer: str,
        temperature: float | None,
        pressure: float | None,
        humidity: float | None,
        elsewhere: str | None = None,
    ) -> Advice:
        """Advice for a splicer now, with air typed in or the newest reading, here or elsewhere."""
        air = (temperature, pressure, humidity)
        if elsewhere is None and air == (None, None, None):
            return self._kept.of(splicer, self.version())
        # where the clock stands still with the newest record, so does the advice
        span = 0 if self._stands_still else int(datetime.now(UTC).timestamp() // FRESH_SECONDS)
        return self._advice(self.version(), span, splicer, *air, elsewhere)

    def get_ready(self) -> None:
        """Work out every splicer's advice behind the scenes, so that pages find it at hand."""
        if self.run() is not None:
            self._kept.get_ready(self.splicers(), self.version())

    @property
    def _stands_still(self) -> bool:
        return self.crew.clock == "newest-record"

    def _ask_advice(
        self,
        version: str,
        span: int,
        splicer: str,
        temperature: float | None,
        pressure: float | None,
        humidity: float | None,
        elsewhere: str | None,
    ) -> Advice:
        run = self.run()
        return advise_now(
            self._engine,
            self.crew,
            splicer,
            at=pd.Timestamp(run.now) if run is not None and self._stands_still else None,
            temperature_c=temperature,
            pressure_hpa=pressure,
            humidity_pct=humidity,
            elsewhere=elsewhere,
        )

    def splice_page(
        self,
        splicer: str,
        program: str,
        *,
        start: int = 0,
        rows: int | None = PAGE_ROWS,
        day: str = "",
    ) -> SplicePage:
        """Rows of one stream, newest first; all of them when `rows` is None.

        Parameters
        ----------
        day : str
            ISO local workday; empty for all days.
        """
        total = self._count(self.version(), splicer, program, day)
        t = schema.splices.c
        moment = self._true_time(splicer)
        columns = (moment if name == "spliced_at" else t[name] for name in SPLICE_COLUMNS)
        query = (
            self._of_stream(select(*columns), splicer, program, day)
            .order_by(moment.desc(), t.id.desc())
            .offset(start)
        )
        with reading(self._engine) as connection:
            found = connection.execute(query.limit(rows) if rows is not None else query).all()
        frame = pd.DataFrame(found, columns=list(SPLICE_COLUMNS))
        at = pd.to_datetime(frame["spliced_at"], unit="us", utc=True)
        frame["spliced_at"] = self._at_home(at, splicer)
        return SplicePage(self.people.renamed(frame), total)

    def _count_splices(self, version: str, splicer: str, program: str, day: str) -> int:
        query = self._of_stream(
            select(func.count()).select_from(schema.splices), splicer, program, day
        )
        with reading(self._engine) as connection:
            return int(connection.execute(query).scalar_one())

    def _true_time(self, splicer: str) -> ColumnElement[int]:
        return true_time(schema.splices, clock_shifts(self._engine, splicers=[splicer]))

    def _of_stream(self, query: Select[Any], splicer: str, program: str, day: str) -> Select[Any]:
        t = schema.splices.c
        query = query.where(t.splicer == splicer, t.program == program)
        if not day:
            return query
        start = datetime.fromisoformat(day).replace(tzinfo=self.zone_of_splicer(splicer))
        first = start + self.crew.day_offset
        at = self._true_time(splicer)
        return query.where(
            at >= microseconds(first),
            at < microseconds(first + timedelta(days=1)),
        )
