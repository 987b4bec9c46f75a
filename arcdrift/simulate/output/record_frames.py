"""A simulated crew in memory: the frames a store would give after importing its logs."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa

from arcdrift.settings import Crew
from arcdrift.simulate.air.weather import make_readings, make_weather
from arcdrift.simulate.crew.scenario import Scenario
from arcdrift.simulate.crew_run import run_crew
from arcdrift.simulate.output.log_files import KINDS, crew_settings
from arcdrift.simulate.output.truth import Truth, tell_truth
from arcdrift.simulate.work.required_setting import Advised
from arcdrift.simulate.work.splicer_records import MachineTruth
from arcdrift.store.frames import arrow_type, to_frame
from arcdrift.store.schema import RECORDS, TIME_COLUMN


@dataclass(frozen=True)
class SimulatedCrew(Mapping[str, pd.DataFrame]):
    """Record frames by kind (``arc-checks``, ``splices``, ``readings``, ``service``).

    Attributes
    ----------
    crew : Crew
        Its settings.
    records : dict of DataFrame
        What the mapping holds.
    truth : Truth
        What truth.json would hold; `files` counts the rows of each kind.
    advised : dict of Advised
        For each splicer, the truth of advice at any instant.
    """

    crew: Crew
    records: dict[str, pd.DataFrame]
    truth: Truth
    advised: dict[str, Advised]

    def __getitem__(self, kind: str) -> pd.DataFrame:
        return self.records[kind]

    def __iter__(self) -> Iterator[str]:
        return iter(self.records)

    def __len__(self) -> int:
        return len(self.records)

    def required(self, splicer: str, at: pd.Series | pd.DatetimeIndex) -> pd.DataFrame:
        """Tell what a splicer truly needed and had set at aware instants.

        Returns
        -------
        DataFrame
            See `arcdrift.simulate.work.required_setting.Advised.at`; one row an instant.
        """
        seconds = pd.DatetimeIndex(at).tz_convert("UTC").as_unit("s").asi8
        return self.advised[splicer].at(np.asarray(seconds))


def simulate_frames(scenario: Scenario) -> SimulatedCrew:
    """Simulate a crew without writing files.

    Parameters
    ----------
    scenario : Scenario
        The crew, the days and the planted faults. Rows are never broken here.

    Returns
    -------
    SimulatedCrew
        A mapping of frames equal to what `arcdrift.store.read.records` gives for a fresh store
        into which the logs were imported in the order checks, splices, readings, service.
    """
    weather = make_weather(scenario)
    parts: dict[str, list[pa.Table]] = {kind: [] for kind in KINDS}
    machines: dict[str, MachineTruth] = {}
    advised: dict[str, Advised] = {}
    for name, made in run_crew(scenario, weather):
        for kind, frame in (
            ("arc-checks", made.checks),
            ("splices", made.splices),
            ("service", made.service),
        ):
            parts[kind].append(_columns(frame, kind))
        machines[name], advised[name] = made.truth, made.advised
    parts["readings"].append(_columns(make_readings(scenario, weather), "readings"))
    records = {
        kind: _records(pa.concat_tables(tables), number)
        for number, (kind, tables) in enumerate(parts.items(), 1)
    }
    counts = {
        KINDS[kind]: {"rows": len(frame), "broken": 0, "repeated": 0}
        for kind, frame in records.items()
    }
    return SimulatedCrew(
        crew_settings(scenario), records, tell_truth(scenario, machines, counts, []), advised
    )


def _columns(frame: pd.DataFrame, kind: str) -> pa.Table:
    """Columns of the record, but for where each row came from, as the store keeps them."""
    when = TIME_COLUMN[kind]
    columns = {}
    for column in list(RECORDS[kind].columns)[3:]:
        wanted = arrow_type(column)
        if column.name == when:
            columns[when] = pa.array(frame[when].to_numpy(np.int64) * 1_000_000)
        elif column.name not in frame:
            columns[column.name] = pa.nulls(len(frame), wanted)
        else:
            values = frame[column.name]
            if pa.types.is_floating(wanted):
                columns[column.name] = pa.array(values.to_numpy(np.float64), from_pandas=True)
            else:
                columns[column.name] = pa.array(values, from_pandas=True).cast(wanted)
    return pa.table(columns)


def _records(table: pa.Table, import_id: int) -> pd.DataFrame:
    number = np.arange(1, len(table) + 1)
    origin = {"id": number, "import_id": np.full(len(table), import_id), "line": number + 1}
    for place, (name, values) in enumerate(origin.items()):
        table = table.add_column(place, name, pa.array(values, pa.int64()))
    return to_frame(table)
