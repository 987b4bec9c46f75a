"""Reasons of errors at the command line: words that nobody knows are told, with what to write."""

import re
from pathlib import Path
from typing import Any

LOG = """\
splicer,spliced_at,loss_db,outcome,error_reason
Heron,2026-03-02T08:10:05Z,,error,QX 7
Heron,2026-03-02T08:14:05Z,,error,QX 7
Heron,2026-03-02T08:18:05Z,,error,Cleave angle
Heron,2026-03-02T08:22:05Z,0.02,done,No problem
Heron,2026-03-02T08:26:05Z,,error,
"""


def test_unknown_reasons_are_told_until_crew_toml_has_them(crew: Path, arcdrift: Any) -> None:
    (crew / "log.csv").write_text(LOG)
    (crew / "later.csv").write_text(LOG.replace("2026-03-02", "2026-03-03"))
    told = (
        "log.csv: 1 reason of errors counts as other, because no word of it is known: 'QX 7' "
        "(2 splices). Write into crew.toml, under [error_reasons], what it is, such as "
        '"QX 7" = "fiber position"; then analyze again.'
    )
    assert told in re.sub(r"\s+", " ", arcdrift("import", "log.csv").out)
    toml = crew / "crew.toml"
    toml.write_text(toml.read_text() + '\n[error_reasons]\n"QX 7" = "arc"\n')
    done = arcdrift("import", "later.csv")
    assert done.code == 0
    assert "reason" not in done.out
