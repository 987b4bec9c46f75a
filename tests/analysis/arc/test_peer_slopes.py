"""What peers tell of a splicer without a model: computed with the crew's models, and stored."""

import json

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.arc.arc_model import ArcModel, PeerSlopes, Refusal
from arcdrift.analysis.arc.crew_arc_models import chart_and_fit
from arcdrift.analysis.review.result_tables import models_table
from arcdrift.settings import Crew
from tests.analysis.arc.arc_truth import SD, SLOPES, simulated_points

NAMES = [f"s{number}" for number in range(6)]


def crew(model_of_new: str = "Model A") -> Crew:
    splicers = {name: {"model": "Model A"} for name in NAMES}
    return Crew.model_validate(
        {"name": "x", "splicers": splicers | {"s0": {"model": model_of_new}}}
    )


@pytest.fixture(scope="module")
def points() -> pd.DataFrame:
    """Six splicers of 120 checks, of which the first has only six."""
    whole, _ = simulated_points(6, 120, seed=31, life=100_000)
    place = whole.groupby("splicer").cumcount()
    return whole[(whole["splicer"] != "s0") | (place < 6)].reset_index(drop=True)


def refused(points: pd.DataFrame, settings: Crew) -> tuple[Refusal, list[ArcModel | Refusal]]:
    _, models = chart_and_fit(points, NAMES, settings)
    first = models[0]
    assert isinstance(first, Refusal)
    assert "only 6 usable checks" in first.reason
    return first, models


def test_a_new_splicer_gets_the_slopes_of_its_peers(points: pd.DataFrame):
    first, models = refused(points, crew())
    peers = first.peer_slopes
    assert peers is not None
    assert peers.peers == 5
    # the true slopes scatter by 15 % from splicer to splicer
    error = np.abs(np.array(peers.mean) - SLOPES) / np.sqrt(np.diag(peers.cov))
    assert (error < 3.0).all()
    assert peers.mean[0] == pytest.approx(SLOPES[0], rel=0.25)
    assert peers.sigma == pytest.approx(SD, rel=0.15)
    seen = points[points["splicer"] != "s0"]
    assert peers.ranges["air_density"] == (seen["air_density"].min(), seen["air_density"].max())
    assert all(isinstance(model, ArcModel) for model in models[1:])


def test_they_come_back_from_the_store_as_they_were(points: pd.DataFrame):
    first, models = refused(points, crew())
    table = models_table(models)
    assert PeerSlopes.from_json(json.loads(table["peer_slopes"].iloc[0])) == first.peer_slopes
    assert table["peer_slopes"].iloc[1:].isna().all()


def test_a_splicer_of_a_model_of_its_own_has_none(points: pd.DataFrame):
    first, _ = refused(points, crew(model_of_new="Model B"))
    assert first.peer_slopes is None
