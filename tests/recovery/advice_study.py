"""Coverage and width of the interval of the advised setting, on crews of several makings.

Run by hand; some minutes::

    python -m tests.recovery.advice_study --crews 48
"""

import argparse
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from statsmodels.stats.proportion import proportion_confint

from arcdrift.simulate import Scenario, SimulatedCrew, invented_crew, simulate_frames
from arcdrift.simulate.crew.invented_crews import DEFAULT_HABITS
from arcdrift.simulate.crew.scenario import ArcLaw, ModelSpec, SiteSpec
from tests.recovery.advice_answers import ask

LOGGERS = (SiteSpec("Harbor", 12.0, logger_min=60), SiteSpec("Valley", 610.0, logger_min=60))
STATIONS = (
    SiteSpec("Harbor", 12.0, logger_min=None, station_min=60),
    SiteSpec("Valley", 610.0, logger_min=None, station_min=60),
    SiteSpec("Ridge", 1400.0, logger_min=None, station_min=60),
)


@dataclass(frozen=True)
class Making:
    """How a crew differs from those of `invented_crew`.

    Attributes
    ----------
    arc : ArcLaw
        Slopes, noise of checks and scatter of electrodes.
    sites : tuple of SiteSpec, optional
        Sites, in turn the homes of the splicers.
    step : float
        Step of the setting, in settings of a model of scale 1.
    life : int, optional
        Arcs that electrodes last.
    splicers : int
    indoor, missed : float
        Shares of days in heated rooms and without a check.
    bias_c, noise_c : float
        Standard deviations, in degrees Celsius, of a sensor's constant error and of the error of
        each of its readings.
    """

    arc: ArcLaw = field(default_factory=ArcLaw)
    sites: tuple[SiteSpec, ...] | None = None
    step: float = 1.0
    life: int | None = None
    splicers: int = 8
    indoor: float = 0.1
    missed: float = 0.015
    bias_c: float = 0.0
    noise_c: float = 0.0


MAKINGS = {
    "usual": Making(),
    "one site": Making(sites=LOGGERS[:1]),
    "weather stations, rooms": Making(sites=STATIONS, indoor=0.34),
    "poor sensors": Making(sites=LOGGERS, bias_c=1.0, noise_c=0.8),
    "coarse steps": Making(step=6.0, sites=LOGGERS),
    "precise checks": Making(arc=ArcLaw(noise_sd=1.0), sites=LOGGERS),
    "short lives, much wear": Making(arc=ArcLaw(wear=-6.0), life=1500),
    "long lives, little wear": Making(arc=ArcLaw(wear=-0.4), life=20000),
    "unlike splicers": Making(arc=ArcLaw(spread=0.35)),
    "three splicers": Making(splicers=3),
    "lasting errors": Making(arc=ArcLaw(noise_lag=0.6)),
    "few checks": Making(missed=0.4, arc=ArcLaw(vapor=1.0, density=-60.0)),
}


def make_crew(making: Making, seed: int, days: int = 200) -> SimulatedCrew:
    """Simulate a healthy crew of a making; sensors read the air with its errors."""
    scenario = invented_crew(
        seed=seed, splicers=making.splicers, days=days,
        habits=replace(DEFAULT_HABITS, indoor=making.indoor, missed=making.missed),
    )  # fmt: skip
    if making.sites is not None:
        scenario = _at_sites(scenario, making.sites)
    models = tuple(_altered(model, making) for model in scenario.models)
    made = simulate_frames(replace(scenario, arc=making.arc, models=models))
    made.records["readings"] = _misread(made["readings"], making, seed)
    return made


def _at_sites(scenario: Scenario, sites: tuple[SiteSpec, ...]) -> Scenario:
    splicers = tuple(
        replace(splicer, home_site=sites[number % len(sites)].name)
        for number, splicer in enumerate(scenario.splicers)
    )
    return replace(scenario, sites=sites, splicers=splicers)


def _altered(model: ModelSpec, making: Making) -> ModelSpec:
    life = model.electrode_life_arcs if making.life is None else making.life
    return replace(model, step=making.step * model.step, electrode_life_arcs=life)


def _misread(readings: pd.DataFrame, making: Making, seed: int) -> pd.DataFrame:
    rng = np.random.default_rng([seed, 0x5E45])
    names, sites = pd.factorize(readings["site"], sort=True)
    error = making.bias_c * rng.normal(size=len(sites))[names]
    error += making.noise_c * rng.normal(size=len(readings))
    return readings.assign(temperature_c=readings["temperature_c"] + error)


GROUPS = {
    "checks_on_pair": (0, 10, 20, 40, 1000),
    "checks": (0, 40, 70, 110, 1000),
    "air_distance": (0.0, 0.5, 1.0, 1.5, 100.0),
    "hours_since_check": (0.0, 4.0, 12.0, 36.0, 1000.0),
}


def answers(crews: int, first_seed: int = 3000) -> pd.DataFrame:
    """Answers on crews of every making in turn."""
    parts = []
    for number in range(crews):
        name, making = list(MAKINGS.items())[number % len(MAKINGS)]
        made = make_crew(making, first_seed + number)
        asked = ask(made, first_seed + number, learning=0.2, cuts=4, questions=4)
        parts.append(asked.assign(making=name))
    return pd.concat(parts, ignore_index=True)


def coverage(asked: pd.DataFrame) -> dict[str, float]:
    """Share of intervals that hold the truth, its Wilson interval, and their mean width.

    Answers on one splicer between two cuts share its model, so each such set counts once in the
    interval of the share.
    """
    sets = asked.groupby(["seed", "splicer", "cut"]).ngroups
    share = asked["inside"].mean()
    low, high = proportion_confint(share * sets, sets, method="wilson")
    return {
        "answers": len(asked), "sets": sets, "inside": share, "low": low, "high": high,
        "width_in_sigma": (asked["width"] / asked["sigma"]).mean(),
    }  # fmt: skip


def table(asked: pd.DataFrame) -> pd.DataFrame:
    """Coverage over all, by making and by group."""
    asked = asked.assign(hours_since_check=asked["since_check"] / pd.Timedelta(hours=1))
    rows = {"all": coverage(asked)}
    rows |= {name: coverage(part) for name, part in asked.groupby("making", sort=False)}
    for column, edges in GROUPS.items():
        parts = asked.groupby(pd.cut(asked[column], edges, right=False), observed=True)
        rows |= {f"{column} {interval}": coverage(part) for interval, part in parts}
    return pd.DataFrame(rows).T


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Coverage of the interval of advised settings.")
    parser.add_argument("--crews", type=int, default=48)
    print(table(answers(parser.parse_args().crews)).round(3).to_string())  # noqa: T201


if __name__ == "__main__":
    main()
