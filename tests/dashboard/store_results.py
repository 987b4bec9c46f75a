"""The invented crew with some of its results replaced."""

from pathlib import Path

import pandas as pd

from arcdrift.store.database.connect import open_store
from arcdrift.store.results.result_replacement import replace_results
from tests.dashboard.invented import results, write_crew


def replaced(folder: Path, changed: dict[str, pd.DataFrame]) -> Path:
    """Write the invented crew to a folder, with other rows in some result tables."""
    crew = write_crew(folder)
    replace_results(open_store(crew), results() | changed)
    return crew
