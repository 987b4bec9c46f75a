"""Single splices of the sample crew, held against its log file read without the tool."""

import pandas as pd
import pytest

from arcdrift.store import read
from tests.recovery.conftest import SAMPLE, Sample

pytestmark = pytest.mark.xdist_group("sample")
STREAM = ["splicer", "program"]


@pytest.fixture(scope="module")
def log() -> pd.DataFrame:
    """Whole rows of the sample's splice log, each once, in the order they were made."""
    raw = pd.read_csv(SAMPLE / "splices.csv.gz", dtype=str).drop_duplicates()
    raw["loss_db"] = pd.to_numeric(raw["loss_db"], errors="coerce")
    raw["at"] = pd.to_datetime(raw["spliced_at"], utc=True, errors="coerce")
    return raw.dropna(subset=["at", "loss_db", "location"]).sort_values("at", kind="stable")


def test_what_lies_far_out_is_stored_with_the_limit_it_was_held_against(
    sample: Sample, log: pd.DataFrame
) -> None:
    stored = read.result(sample.engine, "result_exceptions")
    assert (stored["loss_db"] > stored["limit_db"]).all()
    same = stored.merge(
        log, left_on=[*STREAM, "spliced_at", "loss_db", "location"],
        right_on=[*STREAM, "at", "loss_db", "location"],
    )  # fmt: skip
    assert len(same) == len(stored)
    # planted: one splice in 60 to 200 from 0.2 to 1 dB, log-uniform
    far = log[(log["loss_db"] > 0.35) & (log["at"] > log["at"].min() + pd.Timedelta(days=30))]
    assert far["at"].isin(stored["spliced_at"]).mean() > 0.9


def test_each_stream_tells_its_limit_or_why_it_has_none(sample: Sample) -> None:
    limits = read.result(sample.engine, "result_single_limits")
    streams = read.result(sample.engine, "result_streams")
    assert limits[STREAM].equals(streams[STREAM])
    assert (limits["limit_db"].isna() == limits["refusal"].notna()).all()
    assert limits["limit_db"].between(0.1, 0.5).sum() >= 0.8 * len(limits)


def test_what_is_left_over_the_limit_is_the_last_at_its_place(
    sample: Sample, log: pd.DataFrame
) -> None:
    last = log.drop_duplicates("location", keep="last")
    left = last[last["loss_db"] > 0.30].groupby(STREAM).size()
    found = [one for one in sample.review.findings if one.kind == "loss-over-limit"]
    told = {one.subject_id: one.evidence["splices"] for one in found}
    assert told == {f"{splicer} / {program}": n for (splicer, program), n in left.items()}
    assert all(one.evidence["not_told_if_made_again"] == 0 for one in found)
