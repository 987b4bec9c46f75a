"""The setting a splicer truly needs, at any instant."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.arrays import Floats, Ints
from arcdrift.simulate.air.weather import Weather
from arcdrift.simulate.crew.scenario import Scenario, SplicerSpec
from arcdrift.simulate.work.arc_checks import Slopes, arc_shift

_HOUR_S = 3600


@dataclass(frozen=True)
class Need:
    """What one splicer needs: air, wear, its electrode pair, its faults.

    Attributes
    ----------
    renewed : ndarray of int
        When electrodes were replaced, seconds since 1970 UTC.
    level : ndarray of float
        What each electrode pair adds, the first pair first.
    """

    scenario: Scenario
    splicer: SplicerSpec
    weather: Weather
    slopes: Slopes
    renewed: Ints
    level: Floats

    def required(self, at: Ints, site: Ints, arcs: Floats, pair: Ints) -> Floats:
        """Setting needed at instants, at sites, on electrodes of so many arcs.

        Parameters
        ----------
        at, site, arcs, pair : ndarray
            Seconds since 1970 UTC; position of the site; arcs on the pair; number of the pair.

        Returns
        -------
        ndarray of float
            In the splicer's unit.
        """
        density = self.weather.at("density", site, at)
        vapor = self.weather.at("vapor", site, at)
        shift = arc_shift(self.scenario, self.splicer, at, self.renewed)
        scale = self.scenario.model_of(self.splicer).scale
        return self.slopes.physics(density, vapor, arcs) + self.level[pair] + scale * shift


@dataclass(frozen=True)
class Advised:
    """The truth of advice about one splicer: what it needs and what is set, at any instant.

    Attributes
    ----------
    need : Need
        The physics.
    begins, site : ndarray of int
        When each workday begins, seconds since 1970 UTC, and the site of that day.
    spliced_at, worn : ndarray
        Splices, and the arcs on the electrodes after each.
    checked_at : ndarray of int
        All attempts at a check.
    passed_at, found : ndarray
        Passed checks, and the settings they stored.
    before : float
        Setting in force before the first passed check.
    """

    need: Need
    begins: Ints
    site: Ints
    spliced_at: Ints
    worn: Floats
    checked_at: Ints
    passed_at: Ints
    found: Floats
    before: float

    def at(self, at: Ints) -> pd.DataFrame:
        """Tell the truth of instants within the simulation.

        Parameters
        ----------
        at : ndarray of int
            Seconds since 1970 UTC.

        Returns
        -------
        DataFrame
            ``splicer``; ``at`` in UTC; ``site`` (where the splicer last stood);
            ``air_density`` in kg/m3; ``vapor_pressure`` in hPa; ``arcs`` on the electrodes;
            the ``required`` setting and the setting ``in_force``, in the splicer's unit.
        """
        need = self.need
        where = self.site[np.maximum(np.searchsorted(self.begins, at, side="right") - 1, 0)]
        pair = np.searchsorted(need.renewed, at, side="right")
        last = np.searchsorted(self.spliced_at, at, side="right") - 1
        arcs = np.where(last < 0, need.splicer.arcs_at_start, self.worn[np.maximum(last, 0)])
        if len(need.renewed):
            # a new pair has no arcs before its first splice
            replaced = need.renewed[np.maximum(pair - 1, 0)]
            unused = (last < 0) | (self.spliced_at[np.maximum(last, 0)] < replaced)
            arcs = np.where((pair > 0) & unused, 0.0, arcs)
        latest = np.searchsorted(self.passed_at, at, side="right") - 1
        return pd.DataFrame(
            {
                "splicer": need.splicer.name,
                "at": pd.DatetimeIndex(at.astype("datetime64[s]")).tz_localize("UTC").as_unit("us"),
                "site": np.array([s.name for s in need.scenario.sites], object)[where],
                "air_density": need.weather.at("density", where, at),
                "vapor_pressure": need.weather.at("vapor", where, at),
                "arcs": arcs,
                "required": need.required(at, where, arcs, pair),
                "in_force": np.where(latest >= 0, np.r_[self.found, 0.0][latest], self.before),
            }
        )

    def told(self) -> pd.DataFrame:
        """Tell the truth of every full hour from the first workday on, and of every check.

        Returns
        -------
        DataFrame
            As `at`, in time order, with ``what``: ``hour`` or ``check``.
        """
        first = -(-int(self.begins[0]) // _HOUR_S) * _HOUR_S
        hours = np.arange(first, int(self.need.scenario.end.timestamp()), _HOUR_S)
        at = np.r_[hours, self.checked_at]
        what = np.repeat(np.array(["hour", "check"], object), [len(hours), len(self.checked_at)])
        order = np.argsort(at, kind="stable")
        table = self.at(at[order])
        table.insert(2, "what", what[order])
        return table
