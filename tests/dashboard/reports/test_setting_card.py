"""The setting card on the invented crew, and on a splicer that has peers but no model."""

import json
from dataclasses import asdict, replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from arcdrift.analysis.advice.expected_settings import ExpectedSettings
from arcdrift.analysis.arc.arc_model import PeerSlopes
from arcdrift.errors import UsageError
from arcdrift.store import schema
from arcdrift.store.database.connect import open_store
from dashboard.components import View
from dashboard.reading.data import CrewData
from dashboard.reports.setting_card import stale_after, with_home
from tests.dashboard.invented import write_crew
from tests.dashboard.reports.reported import made, told

PEERS = PeerSlopes(
    mean=(-120.0, 0.35, -2.0),
    cov=((400.0, 0.0, 0.0), (0.0, 0.01, 0.0), (0.0, 0.0, 0.25)),
    sigma=3.0,
    peers=4,
    ranges={"air_density": (1.1, 1.3), "vapor_pressure": (2.0, 20.0)},
)


def test_the_daily_check_comes_first_and_the_cautions_once(data: CrewData):
    words = told(made(data, "card", splicer="Heron"))
    assert words.index("The daily arc check comes first.") < words.index("In force")
    assert words.count("Electrodes carry high voltage") == 1
    assert "In force 50 steps, stored by the check of 13 Jun 2025, 07:30" in words
    assert "and at once after new electrodes, factory service or new firmware" in words


def test_it_is_stale_by_wear_at_the_pace_of_the_splicer(data: CrewData):
    run, found = data.run(), data.expected_settings("Heron")
    assert run is not None
    assert isinstance(found, ExpectedSettings)
    stale = stale_after(View(data, run, {}, "light"), "Heron", found)
    assert stale.arcs is not None
    assert stale.arcs % 50 == 0
    assert stale.arcs <= found.arcs + found.stale_after_arcs < stale.arcs + 50
    days = data.result("result_check_days", splicer="Heron")
    # splices of the 28 days before 13 June, a calendar day
    made = days[(days["day"] >= "2025-05-16") & (days["day"] < "2025-06-13")]["splices"].sum() / 28
    left = (stale.arcs - found.arcs) / made
    due = data.today() + timedelta(days=int(left))
    assert stale.day == min(due, data.today() + timedelta(days=60))


def test_no_card_outlives_sixty_days_or_the_electrodes(data: CrewData):
    run, found = data.run(), data.expected_settings("Heron")
    assert run is not None
    assert isinstance(found, ExpectedSettings)
    lasting = replace(found, tolerance=1e6)
    view = View(data, run, {}, "light")
    assert stale_after(view, "Heron", lasting).day == data.today() + timedelta(days=60)
    assert stale_after(view, "Heron", replace(found, tolerance=1e-9)).day == data.today()


def test_a_splicer_without_a_model_says_why(data: CrewData):
    words = told(made(data, "card", splicer="Plover"))
    assert "No settings can be told yet" in words
    assert "The daily arc check comes first." in words


def test_peers_stand_in_for_a_model(tmp_path: Path):
    folder = write_crew(tmp_path)
    engine = open_store(folder)
    models = schema.RESULTS["result_arc_models"]
    with engine.begin() as connection:
        connection.execute(
            models.update().where(models.c.splicer == "Heron").values(
                model=None, refusal="only 6 usable checks; a model of this splicer needs 12",
                used=6, peer_slopes=json.dumps(asdict(PEERS)),
            )
        )  # fmt: skip
    engine.dispose()
    words = told(made(CrewData(folder), "card", splicer="Heron"))
    assert "This splicer has no model of its own yet: only 6 usable checks" in words
    assert "taken from 4 splicers of the same model" in words
    assert "Setting to expect, in steps" in words


def test_a_code_leads_back_to_the_page(data: CrewData):
    with_code = made(data, "card", address="https://crew.example", splicer="Heron").html
    assert 'aria-label="QR code of its page"' in with_code
    without = made(data, "card", splicer="Heron")
    assert "QR code" not in without.html
    assert "it is not known at which address others open the dashboard" in told(without)


@pytest.mark.parametrize("splicer", ["", "Nobody", "<b>"])
def test_a_splicer_that_there_is_not_is_refused(data: CrewData, splicer: str):
    with pytest.raises(UsageError):
        made(data, "card", splicer=splicer)


@pytest.mark.parametrize(
    ("home", "expected"),
    [
        (None, [0.0, 500.0, 1000.0]),
        (12.0, [12.0, 500.0, 1000.0]),  # in place of sea level, which is close to it
        (740.0, [0.0, 500.0, 740.0, 1000.0]),
        (1000.0, [0.0, 500.0, 1000.0]),
        (2740.0, [0.0, 500.0, 1000.0]),  # no air of it was seen
    ],
)
def test_the_home_site_has_a_column_of_its_own(home: float | None, expected: list[float]):
    assert with_home(np.array([0.0, 500.0, 1000.0]), home).tolist() == expected


def test_the_column_of_the_home_site_is_named(data: CrewData):
    assert "Harbor 12 m" in told(made(data, "card", splicer="Heron"))
