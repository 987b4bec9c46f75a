"""Columns of text that are read as one text a row come back as they were stored."""

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal
from sqlalchemy import select

from arcdrift.store import schema
from arcdrift.store.database.connect import reading
from arcdrift.store.database.fetch import fetch, fetch_within
from arcdrift.store.database.packed_texts import pack_texts
from tests.both_stores import both_stores, daily_on_postgresql
from tests.store.stored_examples import START
from tests.stored_rows import store_rows

pytestmark = both_stores

TEXTS = {"site", "splicer", "source"}


@daily_on_postgresql
@pytest.mark.parametrize("source", ["", "logger é", "a\x1fb"])
def test_texts_come_back_as_they_were_stored(engine, source):
    rows = pd.DataFrame(
        {
            "line": [2, 3, 4],
            "read_at": pd.Series([pd.Timestamp(START)] * 3).dt.as_unit("us"),
            "site": ["Quay", None, "Barn"],
            "splicer": [None, None, "Heron"],
            "temperature_c": [20.5, np.nan, 21.0],
            "source": [source, None, source],
        }
    )
    store_rows(engine, "readings", rows)
    query = select(schema.readings)
    found = fetch(engine, query, order=["id"], categorical=TEXTS)
    with reading(engine) as connection:
        row_by_row = fetch_within(connection, query, order=["id"], categorical=TEXTS)
    assert_frame_equal(found, row_by_row)
    assert found["source"].cat.categories.to_list() == [source]
    assert found["site"].isna().to_list() == [False, True, False]


def test_one_column_of_text_is_read_as_it_is():
    assert pack_texts(select(schema.readings.columns.site), TEXTS) is None
