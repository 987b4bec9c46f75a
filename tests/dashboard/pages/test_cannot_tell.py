"""Where nothing can be told, no page and no command says in green that nothing stands out."""

import json
from pathlib import Path

import pandas as pd
import pytest

from arcdrift.analysis.people.technician_report import nothing_stands_out
from arcdrift.store.database.connect import open_store
from arcdrift.store.results.result_replacement import replace_results
from dashboard.reading.data import CrewData
from tests.dashboard.invented import results, write_crew
from tests.dashboard.rendering import parts, shown, text, whole

REFUSAL = "2 technicians on 1 splicers over 9 technician-days are too few to tell hands apart."


def people(**rows: tuple[float | None, str | None]) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {"who": "technician", "name": name, "measure": "loss", "effect": effect, "note": note}
            for name, (effect, note) in rows.items()
        ],
        columns=["who", "name", "measure", "effect", "note"],
    ).astype({"effect": float})


@pytest.mark.parametrize(
    ("document", "rows", "words", "told"),
    [
        ({"refusal": REFUSAL}, people(), "Cannot tell who or what stands out: 2 tech", False),
        ({}, people(), "Cannot tell who or what stands out: nobody has a figure yet", False),
        ({}, people(Alder=(None, "only 3 days of work")), "Cannot tell who or what", False),
        (
            {},
            people(Alder=(0.0, None), Birch=(None, "only 3 days of work")),
            "Nobody and nothing with a figure stands out from the crew. "
            "Cannot tell yet about Birch.",
            False,
        ),
        ({}, people(Alder=(0.0, None)), "Nobody and nothing stands out from the crew.", True),
        ({}, people(Alder=(None, "no difference found")), "Nobody and nothing stands", True),
    ],
)  # fmt: skip
def test_nothing_stands_out_only_where_that_is_known(document, rows, words, told) -> None:
    sentence, known = nothing_stands_out(document, rows)
    assert sentence.startswith(words)
    assert known == told


def test_a_crew_too_small_to_judge_gets_no_green_answer(tmp_path: Path) -> None:
    folder = write_crew(tmp_path)
    made = results()
    document = json.loads(made["result_prep"]["document"].iloc[0]) | {"refusal": REFUSAL}
    engine = open_store(folder)
    replace_results(
        engine,
        made
        | {
            "result_prep": pd.DataFrame({"id": [1], "document": [json.dumps(document)]}),
            "result_people": made["result_people"].iloc[:0],
            "result_signatures": made["result_signatures"].iloc[:0],
            "result_sign_offs": made["result_sign_offs"].iloc[:0],
        },
    )
    engine.dispose()
    data = CrewData(folder)
    assert f"Cannot tell who or what stands out: {REFUSAL}" in shown(data, "/coaching")
    assert f"Cannot tell whether anything stands out: {REFUSAL}" in shown(
        data, "/person", "?technician=Alder"
    )
    for path, query in (("/coaching", ""), ("/person", "?technician=Alder")):
        green = [
            text(part)
            for part in parts(whole(data, path, query))
            if "good" in str(getattr(part, "className", "")).split()
        ]
        assert not [words for words in green if "stands out" in words]
