"""A crew's words for reasons of errors count for all its records from the next review on."""

import pandas as pd

from arcdrift.analysis.review.review import review
from arcdrift.simulate import invented_crew, simulate_frames
from arcdrift.store.results.result_rows import read_result
from arcdrift.store.results.store_versions import is_outdated
from tests.empty_store import empty_store
from tests.stored_rows import store_rows


def test_new_words_count_for_settled_days_too(tmp_path):
    made = simulate_frames(invented_crew(splicers=3, days=60, seed=4))
    splices = made["splices"]
    failed = splices["outcome"] == "error"
    splices.loc[failed, "error_reason"] = "QX 7"
    engine = empty_store(tmp_path)
    store_rows(engine, "splices", splices, given="[]", to_the_second=True)

    def classes(crew) -> set[str]:
        review(engine, crew)
        assert not is_outdated(engine, crew)
        return set(read_result(engine, "result_error_splices")["class"])

    assert failed.sum() > 5
    assert classes(made.crew) == {"other"}
    days = pd.DatetimeIndex(splices.loc[failed, "spliced_at"])
    assert days.min() < days.max() - pd.Timedelta(days=20)  # some are of days that are kept
    named = made.crew.model_copy(update={"error_reasons": {"QX 7": "alignment"}})
    assert is_outdated(engine, named)
    assert classes(named) == {"alignment"}
