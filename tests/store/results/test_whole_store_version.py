"""The version of a store changes with all that a screen may show."""

from datetime import date, timedelta

import pandas as pd

from arcdrift.store.annotations.baseline_marks import add_mark, withdraw_mark
from arcdrift.store.database.connect import writing
from arcdrift.store.imports.import_list import add_import
from arcdrift.store.imports.import_undo import undo_import
from arcdrift.store.results.result_replacement import replace_results
from arcdrift.store.results.store_versions import store_version
from tests.both_stores import both_stores
from tests.store.stored_examples import RUN
from tests.stored_rows import import_values

pytestmark = both_stores


def test_the_version_changes_with_every_commit(engine):
    seen = [store_version(engine)]
    with writing(engine) as connection:
        add_import(connection, import_values())
    seen.append(store_version(engine))
    replace_results(engine, {"analysis_run": pd.DataFrame(RUN)})
    seen.append(store_version(engine))
    later = pd.DataFrame(RUN)
    later["assessed_on"] += timedelta(seconds=1)
    replace_results(engine, {"analysis_run": later})
    seen.append(store_version(engine))
    undo_import(engine, 1)
    seen.append(store_version(engine))
    assert len(set(seen)) == len(seen)


def test_a_baseline_mark_changes_the_version(engine):
    seen = [store_version(engine)]
    number = add_mark(
        engine, "freeze", date(2026, 1, 5), None, splicer="Heron", note="why", said_by="Alder"
    )
    seen.append(store_version(engine))
    withdraw_mark(engine, number)
    seen.append(store_version(engine))
    assert len(set(seen)) == len(seen)
