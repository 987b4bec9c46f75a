"""The last day of a rise is the end whose cells speak most for it."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.causes.measure_model import SubjectShift
from arcdrift.analysis.causes.subject_posterior import with_end
from tests.analysis.causes.test_likely_causes import BEGAN, FIRST, cells, crew, shift_cells

ENDED = BEGAN + 7


@pytest.mark.parametrize(
    ("kind", "name"), [("stream", "s0 / fixed"), ("splicer", "s0"), ("technician", "t2")]
)
def test_a_rise_ends_where_each_end_taken_by_itself_says(kind: str, name: str) -> None:
    """Bayes factors of the single ends, each from sums over its own cells."""
    frame = crew()
    column = {"stream": "splicer", "splicer": "splicer", "technician": "technician"}[kind]
    risen = frame["number"].between(BEGAN, ENDED) & (frame[column] == name.split(" ")[0])
    made = frame.assign(level=frame["level"] + 0.5 * risen)
    first = (FIRST + pd.Timedelta(days=BEGAN)).to_datetime64().astype("datetime64[D]")
    source = shift_cells(cells(made))
    rows = source.rows_between(first - 40, first + 14)
    model = source.model("level", rows, first)
    shift = SubjectShift("level", kind, name, first, first + 14)
    ends = np.unique(model.day[model.cells_of(shift)])
    evidence = [
        model.log_bayes_factor(model.effects, model.cells_of(replace(shift, last=end)))
        for end in ends
    ]
    found = with_end(model, shift, first + 14)
    assert found.last == ends[int(np.argmax(evidence))]
    assert found.last < first + 14
    assert with_end(model, replace(shift, subject_id="nobody"), first + 14).last == first + 14
