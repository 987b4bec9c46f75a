"""Frames put together and sorted by numbers of their keys: as pandas does it, row by row."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.common.grouping import concat_categories, concat_frames, sort_rows

N = 400


def made_up(seed: int, names: str) -> pd.DataFrame:
    """Rows of every type of key, with missing ones among them."""
    rng = np.random.default_rng(seed)
    texts = np.array([*names, None], dtype=object)
    seconds = rng.integers(0, 40, N) * 1_000_000
    at = pd.Series(pd.to_datetime(seconds, unit="us", utc=True)).dt.as_unit("us")
    setting = rng.integers(0, 5, N) / 4 - 0.5
    return pd.DataFrame(
        {
            "person": pd.Series(rng.choice(texts, N), dtype="str"),
            "at": at.mask(rng.random(N) < 0.1),
            "setting": np.where(rng.random(N) < 0.1, np.nan, setting),
            "count": rng.integers(-3, 3, N),
            "place": pd.Series([f"T{number}" for number in rng.integers(0, 9, N)], dtype="str"),
            "row": np.arange(N),
        }
    )


@pytest.mark.parametrize("keys", [["person", "at", "setting", "count"], ["setting"], ["at", "row"]])
def test_rows_are_sorted_as_pandas_sorts_them(keys):
    frame = made_up(3, "cab")
    expected = frame.sort_values(keys, kind="stable", ignore_index=True)
    pd.testing.assert_frame_equal(sort_rows(frame, keys), expected)
    coded = concat_categories([frame])
    assert isinstance(coded["person"].dtype, pd.CategoricalDtype)
    found = sort_rows(coded, keys).astype(frame.dtypes)
    pd.testing.assert_frame_equal(found, expected)


def test_keys_too_large_for_one_number_are_sorted_too():
    rng = np.random.default_rng(5)
    large = {name: rng.integers(0, 2**40, N) // 2**38 * 2**38 for name in ("a", "b", "c")}
    frame = pd.DataFrame(large | {"odd": rng.integers(0, 2, N), "row": np.arange(N)})
    keys = ["a", "b", "c", "odd"]
    expected = frame.sort_values(keys, kind="stable", ignore_index=True)
    pd.testing.assert_frame_equal(sort_rows(frame, keys), expected)


def test_a_column_without_any_value_is_sorted():
    frame = made_up(1, "ab").assign(
        at=pd.Series(pd.NaT, index=range(N), dtype="datetime64[us, UTC]")
    )
    expected = frame.sort_values(["at", "count"], kind="stable", ignore_index=True)
    pd.testing.assert_frame_equal(sort_rows(frame, ["at", "count"]), expected)


def test_text_of_several_frames_has_the_same_categories_in_alphabetical_order():
    parts = [made_up(1, "bd"), made_up(2, "ca").iloc[:0], made_up(3, "ea")]
    parts = [parts[0], parts[1], concat_categories([parts[2]])]
    joined = concat_categories(parts, skip={"place"})
    assert joined["person"].cat.categories.to_list() == ["a", "b", "d", "e"]
    assert joined["place"].dtype == "str"
    plain = concat_frames([made_up(1, "bd"), made_up(3, "ea")])
    pd.testing.assert_frame_equal(joined.astype(plain.dtypes), plain)


def test_frames_without_rows_keep_their_columns():
    empty = made_up(1, "ab").iloc[:0]
    joined = concat_categories([empty, empty])
    assert joined.columns.to_list() == empty.columns.to_list()
    assert joined.empty
