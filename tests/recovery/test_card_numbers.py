"""The setting card of sample splicers: what it says in some air is what advise says there."""

import re
from pathlib import Path

import numpy as np
import pytest

from arcdrift.air.moist_air import standard_pressure
from arcdrift.analysis.advice.advice import OFF_FROM
from arcdrift.analysis.advice.advice_from_store import advice_from_store
from arcdrift.wording import number_text
from dashboard.components import View
from dashboard.reading.data import CrewData
from dashboard.reports.report import Asked
from dashboard.reports.setting_card import TEMPERATURES, setting_card
from tests.recovery.conftest import Sample


@pytest.mark.parametrize(
    "splicer",
    [
        "Lapwing",
        *(pytest.param(name, marks=pytest.mark.long) for name in ("Heron", "Osprey", "Plover")),
    ],
)
def test_every_setting_is_that_of_advise_in_the_same_air(sample: Sample, splicer: str) -> None:
    data = CrewData(Path(str(sample.engine.url.database)).parent)
    run = data.run()
    assert run is not None
    parts = setting_card(Asked(View(data, run, {"splicer": splicer}, "light"))).parts
    humidity = float(parts["humidity"].removesuffix(" %"))
    pressures = [float(text.removesuffix(" hPa").replace(",", "")) for _, text in parts["heads"]]
    rows = dict(parts["table"])
    told, unseen = 0, 0
    for temperature in TEMPERATURES[::2]:
        cells = rows.get(number_text(temperature))
        for column, pressure in enumerate(pressures):
            advice = advice_from_store(
                sample.engine, sample.crew, splicer, temperature_c=float(temperature),
                pressure_hpa=pressure, humidity_pct=humidity,
            )  # fmt: skip
            if advice.required is None:
                unseen += 1
                assert "lies outside what this splicer has seen" in advice.basis_note
                assert cells is None or cells[column].text == ""
                continue
            told += 1
            assert cells is not None
            assert cells[column].text == number_text(advice.required["value"], 1)
            off = abs(advice.required["value"] - advice.setting) > advice.tolerance
            assert (cells[column].state != "fits") == off
            if abs(abs(advice.required["value"] - advice.setting) - advice.tolerance) > 0.05:
                # a setting counts as off from even odds on, which is where the tolerance lies
                assert (advice.probability >= OFF_FROM) == off
    assert told >= 8
    assert unseen >= 8


def test_the_pressures_of_the_card_are_those_of_the_standard_atmosphere(sample: Sample) -> None:
    """ISO 2533, printed table, geopotential: 1000 m 898.75, 2000 m 794.95, 3000 m 701.09 hPa."""
    data = CrewData(Path(str(sample.engine.url.database)).parent)
    run = data.run()
    assert run is not None
    parts = setting_card(Asked(View(data, run, {"splicer": "Lapwing"}, "light"))).parts
    heads = dict(parts["heads"])
    printed = {"1,000 m": "899 hPa", "2,000 m": "795 hPa", "3,000 m": "701 hPa"}
    assert {
        height: heads[height] for height in printed if height in heads
    }.items() <= printed.items()
    assert len(set(printed) & set(heads)) >= 2
    assert float(np.asarray(standard_pressure(1000.0))) == pytest.approx(898.7456, abs=1e-3)


def test_lines_of_the_nomogram_need_the_setting_that_advise_says(sample: Sample) -> None:
    data = CrewData(Path(str(sample.engine.url.database)).parent)
    run = data.run()
    assert run is not None
    parts = setting_card(Asked(View(data, run, {"splicer": "Lapwing"}, "light"))).parts
    humidity = float(parts["humidity"].removesuffix(" %"))
    figure = parts["nomogram"].figure
    lines = [
        trace for trace in figure["data"] if "width" in trace["line"] and trace["line"]["width"]
    ]
    notes = figure["layout"]["annotations"]
    asked = 0
    for trace, note in list(zip(lines, notes, strict=True))[::2]:
        points = [(x, y) for x, y in zip(trace["x"], trace["y"], strict=True) if y is not None]
        for temperature, height in points[:: max(len(points) // 2, 1)]:
            advice = advice_from_store(
                sample.engine, sample.crew, "Lapwing", temperature_c=temperature,
                pressure_hpa=float(standard_pressure(height)), humidity_pct=humidity,
            )  # fmt: skip
            if advice.required is None:  # at the very edge of the air seen
                continue
            value = float(re.sub("\u2212", "-", note["text"]).replace(",", ""))
            assert advice.required["value"] == pytest.approx(value, abs=0.02)
            asked += 1
    assert asked >= 5
