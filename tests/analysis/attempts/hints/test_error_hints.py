"""Errors of an invented crew point to what was planted, and to nothing on a healthy one."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.attempts.attempt_cells import KEYS
from arcdrift.analysis.attempts.hints.comparisons import (
    NOT_SEPARABLE,
    POINTS_TO,
    SITE_DAY,
    hinted_errors,
)
from arcdrift.analysis.attempts.hints.error_hints import error_hints
from tests.recovery.error_crews import ErrorCrew
from tests.recovery.hint_study import LAST, false_hints


def _hints(crew: ErrorCrew, seed: int = 4) -> pd.DataFrame:
    return error_hints(*crew.log(np.random.default_rng(seed)), LAST)


@pytest.mark.parametrize(
    ("where", "name", "kind", "subject_type", "subject"),
    [
        ({"splicer": "S3"}, "fiber_position", "position", "splicer", "S3"),
        ({"technician": "P2"}, "fiber_position", "position", "technician", "P2"),
        ({"technician": "P2"}, "cleave_shape", "cleave", "technician", "P2"),
        ({"cleaver": "C4", "blade_position": "3"}, "cleave_angle", "cleave", "blade", "C4"),
        ({"site": "site 1"}, "fiber_not_seen", "dirt", "site", "site 1"),
        ({"splicer": "S5"}, "alignment", "alignment", "splicer", "S5"),
        ({"splicer": "S5"}, "arc", "arc", "splicer", "S5"),
    ],
)
def test_points_to_what_was_planted(
    where: dict[str, str], name: str, kind: str, subject_type: str, subject: str
) -> None:
    crew = ErrorCrew(swaps=0.9, faults=[(where, name, 14.0)])
    hints = _hints(crew)
    hints = hints[hints["verdict"] == POINTS_TO]
    found = hints[["kind", "subject_type", "subject"]].to_records(index=False).tolist()
    assert (kind, subject_type, subject) in found
    # nothing else of that kind is blamed, but the machine or blade that is part of it
    assert {row[2] for row in found if row[0] == kind} == {subject}
    row = hints[(hints["kind"] == kind) & (hints["subject_type"] == subject_type)].iloc[0]
    assert row["low"] > 2
    assert row["ratio"] == pytest.approx(row["errors"] / row["expected"], rel=0.5)
    assert row["evidence"] >= 2


def test_interval_holds_the_planted_factor() -> None:
    inside, runs = 0, 6
    for seed in range(runs):
        crew = ErrorCrew(
            swaps=0.9, person_sd=0.0, splicer_sd=0.0,
            faults=[({"splicer": "S3"}, "fiber_position", 6.0)],
        )  # fmt: skip
        hints = _hints(crew, seed)
        row = hints[hints["subject"] == "S3"].iloc[0]
        inside += row["low"] <= 6.0 <= row["high"]
    assert inside >= 4


def test_one_person_alone_on_a_splicer_cannot_be_told_from_it() -> None:
    crew = ErrorCrew(swaps=0.0, people=8, faults=[({"splicer": "S3"}, "fiber_position", 9.0)])
    hints = _hints(crew)
    assert hints["verdict"].tolist() == [NOT_SEPARABLE]
    row = hints.iloc[0]
    assert (row["subject_type"], row["subject"]) == ("splicer", "S3")
    assert (row["apart_type"], row["apart_from"]) == ("technician", "P3")


def test_a_blade_in_one_pair_of_hands_is_told_by_their_other_positions() -> None:
    crew = ErrorCrew(
        swaps=0.0, people=8, day_sd=0.2, week_sd=0.0,
        faults=[({"cleaver": "C4", "blade_position": "3"}, "cleave_angle", 9.0)],
    )  # fmt: skip
    row = _hints(crew).iloc[0]
    assert (row["subject_type"], row["subject"], row["detail"]) == ("blade", "C4", "3")
    assert row["verdict"] == POINTS_TO
    assert row["evidence"] == 1


def test_who_always_uses_holders_cannot_be_told_from_them() -> None:
    others = {f"P{number}": "clamp" for number in range(9)}
    crew = ErrorCrew(
        swaps=0.9,
        always_holds=others | {"P2": "holder"},
        faults=[({"technician": "P2"}, "fiber_position", 9.0)],
    )
    hints = _hints(crew)
    row = hints[hints["subject"] == "P2"].iloc[0]
    assert row["verdict"] == NOT_SEPARABLE
    assert (row["apart_type"], row["apart_from"]) == ("holding", "holder")


def test_a_dusty_day_at_a_site_is_found_with_its_splices() -> None:
    rng = np.random.default_rng(8)
    cells, blades, errors = ErrorCrew(swaps=0.9).log(rng)
    day = cells["day"].max()
    there = cells[(cells["site"] == "site 2") & (cells["day"] == day)]
    dusty = there.loc[there.index.repeat(9), KEYS].assign(
        **{"class": "fiber_not_seen", "blade_position": "1"}
    )
    dusty["spliced_at"] = pd.Timestamp("2026-05-04 09:00", tz="UTC")
    dusty["id"] = 100_000 + np.arange(len(dusty))
    errors = pd.concat([errors, dusty], ignore_index=True)
    hints = error_hints(cells, blades, errors, LAST)
    row = hints[hints["subject_type"] == SITE_DAY].iloc[0]
    assert (row["subject"], row["detail"]) == ("site 2", f"{day:%Y-%m-%d}")
    assert row["verdict"] == POINTS_TO
    shown = errors.assign(day=errors["day"].dt.strftime("%Y-%m-%d"))
    behind = hinted_errors(shown, "dirt", SITE_DAY, "site 2", row["detail"])
    assert len(behind) == row["errors"]


def test_what_was_mended_is_no_hint_any_more() -> None:
    crew = ErrorCrew(swaps=0.9, faults=[({"splicer": "S3"}, "fiber_position", 9.0)])
    cells, blades, errors = crew.log(np.random.default_rng(4))
    mended = cells["day"].max() - pd.Timedelta(days=35)
    kept = (errors["splicer"] != "S3") | (errors["day"] <= mended)
    assert "S3" in set(error_hints(cells, blades, errors, LAST)["subject"])
    assert "S3" not in set(error_hints(cells, blades, errors[kept], LAST)["subject"])


@pytest.mark.parametrize("quarters", [12, pytest.param(150, marks=pytest.mark.long)])
def test_a_healthy_crew_has_hardly_a_hint(quarters: int) -> None:
    # the study with more crews, and looked at every week, is tests/recovery/hint_study.py
    hinted, _ = false_hints(ErrorCrew(swaps=0.8), quarters, 1, 1)
    assert hinted <= 0.05


def test_nothing_is_said_without_errors() -> None:
    cells, blades, errors = ErrorCrew().log(np.random.default_rng(1))
    assert error_hints(cells, blades, errors.iloc[:0], LAST).empty
    assert error_hints(cells.iloc[:0], blades, errors.iloc[:0], LAST).empty
