"""Asking what a splicer would need at another place."""

from pathlib import Path
from typing import Any

import pytest


def test_another_site_asks_for_a_check_there(analyzed: Path, arcdrift: Any) -> None:
    sites = (analyzed / "crew.toml").read_text(encoding="utf-8")
    (analyzed / "crew.toml").write_text(sites + "\n[sites.Quarry]\n", encoding="utf-8")
    options = ["--at", "2026-05-05T10:30", "--temperature", 8, "--pressure", 805, "--humidity", 60]
    data = arcdrift("advise", "Heron", "--site", "Quarry", *options, "--json").data
    assert data["verdict"] == "recalibrate"
    assert "It was checked at Harbor; Quarry would be another site." in data["reasons"]
    assert not any("moved from" in reason for reason in data["reasons"])  # nothing moved yet
    assert data["air"]["pressure_hpa"] == 805


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--site", "Nowhere"], "No site 'Nowhere' is in crew.toml"),
        (["--elevation", "60000"], "Elevation 60000 is outside -430 to 6000 m"),
        (["--site", "Harbor", "--elevation", "100"], "Give --site or --elevation, not both."),
    ],
)
def test_what_cannot_be_asked(
    words: list[str], message: str, analyzed: Path, arcdrift: Any
) -> None:
    done = arcdrift("advise", "Heron", *words)
    assert done.code == 2
    assert message in done.sentence
