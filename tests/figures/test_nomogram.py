"""The nomogram: every point of a line needs the setting that stands at it."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.figures.nomogram import SettingSurface, setting_nomogram
from arcdrift.figures.svg.figure_svg import picture_svg

CELSIUS, HEIGHTS = np.arange(-10.0, 31.0, 1.0), np.arange(0.0, 2001.0, 20.0)


def surface() -> SettingSurface:
    """50 + 0.8 per degree + 10 per km, seen only up to 80."""
    values = 50.0 + 0.8 * CELSIUS[:, None] + 0.01 * HEIGHTS[None, :]
    return SettingSurface(CELSIUS, HEIGHTS, np.where(values <= 80.0, values, np.nan))


def nomogram(setting: float = 62.0):
    ticks = [(0.0, "0 m, 1,013 hPa"), (1000.0, "1,000 m, 899 hPa")]
    return setting_nomogram(surface(), ticks, unit="steps", setting=setting, tolerance=4.0)


def test_an_elevation_is_where_the_setting_is_needed():
    # at 0 degrees 60 is needed at 1,000 m, at 10 degrees at 200 m, at 20 degrees nowhere
    found = surface().elevations_of(60.0)
    assert found[CELSIUS == 0.0] == pytest.approx(1000.0)
    assert found[CELSIUS == 10.0] == pytest.approx(200.0)
    assert np.isnan(found[CELSIUS == 20.0]).all()


def test_the_setting_in_force_fits_between_two_elevations():
    low, high = surface().elevations_within(58.0, 66.0)
    # at 0 degrees from 800 to 1,600 m; at 15 degrees (62 at the ground) from the ground to 400 m
    assert (low[CELSIUS == 0.0], high[CELSIUS == 0.0]) == (
        pytest.approx(800.0),
        pytest.approx(1600.0),
    )
    assert (low[CELSIUS == 15.0], high[CELSIUS == 15.0]) == (0.0, pytest.approx(400.0))
    assert np.isnan(low[CELSIUS == 28.0]).all()  # 72 at the ground


def test_every_point_of_a_line_needs_its_setting():
    figure = nomogram().figure
    lines = [trace for trace in figure["data"] if trace["line"]["width"] == 2.0]
    words = [float(each["text"]) for each in figure["layout"]["annotations"]]
    assert len(lines) == len(words) >= 5
    for trace, value in zip(lines, words, strict=True):
        points = [(x, y) for x, y in zip(trace["x"], trace["y"], strict=True) if y is not None]
        assert [50 + 0.8 * x + 0.01 * y for x, y in points] == pytest.approx([value] * len(points))


def test_it_can_be_drawn_on_paper_and_says_what_is_shaded():
    picture = nomogram()
    assert "the setting in force, 62, fits within 4.0" in picture.summary
    svg = picture_svg(picture)
    assert "1,000 m, 899 hPa" in svg
    assert "Air temperature, °C" in svg


def test_without_any_air_it_says_so():
    empty = SettingSurface(CELSIUS, HEIGHTS, np.full((len(CELSIUS), len(HEIGHTS)), np.nan))
    picture = setting_nomogram(empty, [], unit="steps", setting=60.0, tolerance=4.0)
    assert picture.figure is None
    assert isinstance(picture.table, pd.DataFrame)
