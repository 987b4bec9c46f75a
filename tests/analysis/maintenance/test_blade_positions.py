"""Blade bookkeeping: counted by hand, and against the simulator's own count."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.maintenance.blade_positions import BladeUse, blade_table, cleaves_on_blade
from arcdrift.analysis.maintenance.service_findings import usage_by_hour
from arcdrift.settings import Blade
from arcdrift.simulate import invented_crew, simulate_frames

START = pd.Timestamp("2026-03-02 14:00", tz="UTC")


def hours(positions, per_hour=50, splicer="Heron"):
    at = START + pd.to_timedelta(np.arange(len(positions)), unit="D")
    return pd.DataFrame(
        {
            "splicer": splicer, "cleaver": "C1", "blade_position": positions, "at": at,
            "last": at + pd.Timedelta(minutes=50), "splices": per_hour,
        }
    )  # fmt: skip


def events(*rows):
    frame = pd.DataFrame(rows, columns=["asset", "serviced_at", "action"])
    frame["serviced_at"] = pd.to_datetime(frame["serviced_at"], utc=True).dt.as_unit("us")
    return frame


def worn_positions(use, service, life):
    return blade_table(BladeUse.of(use, service), Blade(cleaves_per_position=life))[
        "worn_positions"
    ].iloc[0]


def test_cleaves_count_from_the_turn_on_the_service_log():
    use = hours(["4"] * 3 + ["5"] * 4)
    turned_at = START + pd.Timedelta(days=2, hours=12)
    service = events(("C1", turned_at, "blade rotated"))
    row = blade_table(BladeUse.of(use, service), Blade()).iloc[0]
    assert (row["position"], row["cleaves"], row["since"]) == ("5", 400, turned_at)
    # 300 cleaves on the position before, since an unknown turn
    assert [worn_positions(use, service, life) for life in (299, 300, 399, 400)] == [2, 1, 1, 0]
    cells = pd.DataFrame({"cleaver": "C1", "first_at": use["last"], "last_at": use["last"]})
    cleaves = cleaves_on_blade(cells, BladeUse.of(use, service))
    assert cleaves.isna().tolist() == [True] * 3 + [False] * 4
    assert cleaves.tolist()[3:] == [100, 200, 300, 400]


def test_a_turn_nobody_logged_shows_in_the_position():
    use = hours(["4"] * 3 + ["5"] * 4)
    row = blade_table(BladeUse.of(use, events()), Blade()).iloc[0]
    assert row["cleaves"] == 400
    # the change shows at the first use of the new position, the last use of the old one counts
    assert row["since"] == START + pd.Timedelta(days=2, minutes=50)
    assert [worn_positions(use, events(), life) for life in (299, 300, 399, 400)] == [2, 1, 1, 0]


def test_a_cleaver_that_goes_around_counts_all_its_splicers():
    use = pd.concat([hours(["5"] * 4), hours(["5"] * 4, 25, "Kestrel")])
    service = events(("C1", START - pd.Timedelta(hours=1), "blade replaced"))
    table = blade_table(BladeUse.of(use, service), Blade(cleaves_per_position=1000))
    row = table.iloc[0]
    assert row["cleaves"] == 2 * 4 * 75
    assert row["splicers"] == "Heron, Kestrel"
    assert row["cleaves_a_day"] == 150
    assert row["days_left"] == pytest.approx((1000 - 600) / 150)


def test_worn_positions_and_an_unknown_turn():
    use = hours(["4"] * 3 + ["5"] * 30)
    table = blade_table(BladeUse.of(use, events()), Blade(cleaves_per_position=1000))
    assert table["worn_positions"].tolist() == [1]
    assert table["days_left"].iloc[0] == pytest.approx((1000 - 3000) / 100)
    unknown = blade_table(BladeUse.of(hours(["4"] * 5), events()), Blade())
    assert unknown["cleaves"].isna().all()
    assert unknown["days_left"].isna().all()


def test_the_simulator_counts_the_same():
    """Its blades are turned near 1,000 cleaves; it counts 2.06 a splice, with the odd recleave."""
    made = simulate_frames(invented_crew(splicers=3, technicians=3, days=60, seed=4))
    use = usage_by_hour(made["splices"])
    done = []
    for _, rows in use.sort_values("last").groupby("cleaver"):
        cells = pd.DataFrame({"cleaver": rows["cleaver"], "first_at": rows["last"]})
        cleaves = cleaves_on_blade(
            cells.assign(last_at=cells["first_at"]), BladeUse.of(use, made["service"])
        ).to_numpy()
        # a count that falls ends a position whose turns are both known
        done += list(cleaves[:-1][np.diff(cleaves) < 0])
    assert len(done) > 5
    assert np.mean(done) * 2.06 / 2 == pytest.approx(1000, rel=0.12)


def test_cleaves_of_a_cell_are_those_at_its_middle():
    use = hours(["4"] * 2 + ["5"] * 4)
    cells = pd.DataFrame(
        {"cleaver": ["C1", "C1", "C9"], "first_at": [use["at"][1], use["at"][4], use["at"][4]],
         "last_at": [use["last"][1], use["last"][4], use["last"][4]]}
    )  # fmt: skip
    told = cleaves_on_blade(cells, BladeUse.of(use, events()))
    assert np.isnan(told[0])
    assert told[1] == 300
    assert np.isnan(told[2])
