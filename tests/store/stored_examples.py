"""Rows that tests of the store put into it: splices of two splicers, an import, a run."""

import numpy as np
import pandas as pd

from arcdrift.store.results.store_versions import RecordsVersion

START = pd.Timestamp("2025-03-01 06:00", tz="UTC")


def splices(rows: int) -> pd.DataFrame:
    number = np.arange(rows)
    return pd.DataFrame(
        {
            "line": number + 2,
            "splicer": np.where(number % 2 == 0, "Heron", "Kestrel"),
            "spliced_at": (START + pd.to_timedelta(number, unit="min")).as_unit("us"),
            "loss_db": np.where(number % 7 == 0, np.nan, number % 10 / 100),
            "outcome": np.where(number % 7 == 0, "error", "done"),
            "splice_number": number.astype(float),
            "purpose": "production",
            # missing for longer than the stretch a driver looks at to tell a column's type
            "remark": pd.Series(pd.NA, index=number, dtype="str").where(
                number < rows - 3, "it's 5 % :of \"ø\" ? \\ 'quoted'"
            ),
        }
    )


RUN = {
    "id": [1],
    "assessed_on": [pd.Timestamp("2025-03-02 12:00", tz="UTC")],
    "now": [pd.Timestamp("2025-03-02", tz="UTC")],
    "version": ["0.1.0"],
    "records_version": [str(RecordsVersion())],
    "seconds": [1.5],
    "splices": [3000],
    "checks": [0],
    "summary": ["{}"],
}
