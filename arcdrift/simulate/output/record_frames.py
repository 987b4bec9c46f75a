"""A simulated crew in memory: the frames that a store would give after importing its logs."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa

from arcdrift.settings import Crew
from arcdrift.simulate.air.weather import make_readings, make_weather
from arcdrift.simulate.crew.scenario import Scenario
from arcdrift.simulate.crew_run import simulate_splicers
from arcdrift.simulate.output.log_files import KINDS, crew_settings
from arcdrift.simulate.output.truth import Truth, build_truth
from arcdrift.simulate.work.required_setting import SettingTruth
from arcdrift.simulate.work.splicer_records import SplicerTruth
from arcdrift.store.database.frames import arrow_type, to_frame
from arcdrift.store.schema import RECORDS, TIME_COLUMN


@dataclass(frozen=True)
class SimulatedCrew(Mapping[str, pd.DataFrame]):
    """The record frames by kind (``arc-checks``, ``splices``, ``readings``, ``service``).

    Attributes
    ----------
    crew : Crew
        The settings of the crew.
    records : dict of DataFrame
        The frames by kind.
    truth : Truth
        The content of truth.json; `files` counts the rows of each kind.
    setting_truth : dict of SettingTruth
        For each splicer, the required setting and the one in force at any time.
    """

    crew: Crew
    records: dict[str, pd.DataFrame]
    truth: Truth
    setting_truth: dict[str, SettingTruth]

    def __getitem__(self, kind: str) -> pd.DataFrame:
        return self.records[kind]

    def __iter__(self) -> Iterator[str]:
        return iter(self.records)

    def __len__(self) -> int:
        return len(self.records)

    def required(self, splicer: str, times: pd.Series | pd.DatetimeIndex) -> pd.DataFrame:
        """Return the true required setting of a splicer and the one in force at aware times.

        Returns
        -------
        DataFrame
            See `arcdrift.simulate.work.required_setting.SettingTruth.at_times`; one row per time.
        """
        seconds = pd.DatetimeIndex(times).tz_convert("UTC").as_unit("s").asi8
        return self.setting_truth[splicer].at_times(np.asarray(seconds))


def simulate_frames(scenario: Scenario) -> SimulatedCrew:
    """Simulate a crew without writing files.

    Parameters
    ----------
    scenario : Scenario
        The crew, the days and the planted faults; broken rows are ignored.

    Returns
    -------
    SimulatedCrew
        Its frames equal those of `arcdrift.store.records.record_rows.read_records` for a new store
        into which the logs were imported in the order checks, splices, readings, service.
    """
    weather = make_weather(scenario)
    parts: dict[str, list[pa.Table]] = {kind: [] for kind in KINDS}
    splicer_truths: dict[str, SplicerTruth] = {}
    setting_truth: dict[str, SettingTruth] = {}
    for name, splicer_records in simulate_splicers(scenario, weather):
        for kind, frame in splicer_records.frames.items():
            parts[kind].append(_record_columns(frame, kind))
        splicer_truths[name], setting_truth[name] = (
            splicer_records.truth,
            splicer_records.setting_truth,
        )
    parts["readings"].append(_record_columns(make_readings(scenario, weather), "readings"))
    records = {
        kind: _record_frame(pa.concat_tables(tables), number)
        for number, (kind, tables) in enumerate(parts.items(), 1)
    }
    counts = {
        KINDS[kind]: {"rows": len(frame), "broken": 0, "repeated": 0}
        for kind, frame in records.items()
    }
    return SimulatedCrew(
        crew_settings(scenario),
        records,
        build_truth(scenario, splicer_truths, counts, []),
        setting_truth,
    )


def _record_columns(frame: pd.DataFrame, kind: str) -> pa.Table:
    """Return the columns of a record as the store keeps them, without the origin of each row."""
    time_column = TIME_COLUMN[kind]
    columns = {}
    for column in list(RECORDS[kind].columns)[3:]:
        arrow_dtype = arrow_type(column)
        if column.name == time_column:
            columns[time_column] = pa.array(frame[time_column].to_numpy(np.int64) * 1_000_000)
        elif column.name not in frame:
            columns[column.name] = pa.nulls(len(frame), arrow_dtype)
        else:
            values = frame[column.name]
            if pa.types.is_floating(arrow_dtype):
                columns[column.name] = pa.array(values.to_numpy(np.float64), from_pandas=True)
            else:
                columns[column.name] = pa.array(values, from_pandas=True).cast(arrow_dtype)
    return pa.table(columns)


def _record_frame(table: pa.Table, import_id: int) -> pd.DataFrame:
    """Add the origin of each row, as an import numbers it, and convert to a frame."""
    number = np.arange(1, len(table) + 1)
    origin = {"id": number, "import_id": np.full(len(table), import_id), "line": number + 1}
    for position, (name, values) in enumerate(origin.items()):
        table = table.add_column(position, name, pa.array(values, pa.int64()))
    return to_frame(table)
