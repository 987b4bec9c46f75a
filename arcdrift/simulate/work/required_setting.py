"""The arc setting that a splicer truly needs at any time, and the one it has."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.arrays import Floats, Ints
from arcdrift.simulate.air.weather import Weather
from arcdrift.simulate.crew.scenario import Scenario, SplicerSpec
from arcdrift.simulate.work.arc_checks import Slopes, arc_shift

_HOUR_S = 3600


@dataclass(frozen=True)
class RequiredSetting:
    """The required arc setting of one splicer: from air, wear, its electrode pairs and faults.

    Attributes
    ----------
    replaced_at : ndarray of int
        Times at which electrodes were replaced, seconds since 1970 UTC.
    level : ndarray of float
        What each electrode pair adds to the setting, starting with the first pair.
    """

    scenario: Scenario
    splicer: SplicerSpec
    weather: Weather
    slopes: Slopes
    replaced_at: Ints
    level: Floats

    def required(self, times: Ints, site: Ints, arcs: Floats, pair: Ints) -> Floats:
        """Return the required setting in the splicer's unit.

        Parameters
        ----------
        times, site, arcs, pair : ndarray
            Seconds since 1970 UTC; index of the site; arcs on the pair; index of the pair.

        Returns
        -------
        ndarray of float
            One value per time.
        """
        density = self.weather.interpolate("density", site, times)
        vapor = self.weather.interpolate("vapor_pressure", site, times)
        shift = arc_shift(self.scenario, self.splicer, times, self.replaced_at)
        scale = self.scenario.model_of(self.splicer).scale
        return self.slopes.required(density, vapor, arcs) + self.level[pair] + scale * shift


@dataclass(frozen=True)
class SettingTruth:
    """The true required setting of one splicer and the setting in force, at any time.

    Attributes
    ----------
    law : RequiredSetting
        Computes the required setting.
    day_starts, site : ndarray of int
        Start of each workday, seconds since 1970 UTC, and the site of that day.
    spliced_at, arcs : ndarray
        Times of the splices, and the arcs on the electrodes after each.
    checked_at : ndarray of int
        Times of all attempts at a check.
    passed_at, stored : ndarray
        Times of the passed checks, and the settings they stored.
    initial : float
        Setting in force before the first passed check.
    """

    law: RequiredSetting
    day_starts: Ints
    site: Ints
    spliced_at: Ints
    arcs: Floats
    checked_at: Ints
    passed_at: Ints
    stored: Floats
    initial: float

    def at_times(self, times: Ints) -> pd.DataFrame:
        """Return the required setting and the setting in force at times of the simulation.

        Parameters
        ----------
        times : ndarray of int
            Seconds since 1970 UTC.

        Returns
        -------
        DataFrame
            ``splicer``; ``at`` in UTC; ``site`` (the last one of the splicer);
            ``air_density`` in kg/m3; ``vapor_pressure`` in hPa; ``arcs`` on the electrodes;
            the ``required`` setting and the setting ``in_force``, in the splicer's unit.
        """
        law = self.law
        site = self.site[np.maximum(np.searchsorted(self.day_starts, times, side="right") - 1, 0)]
        pair = np.searchsorted(law.replaced_at, times, side="right")
        last_splice = np.searchsorted(self.spliced_at, times, side="right") - 1
        spliced = last_splice >= 0
        arcs = np.where(spliced, self.arcs[np.maximum(last_splice, 0)], law.splicer.arcs_at_start)
        if len(law.replaced_at):
            # a new pair has no arcs before its first splice
            last_replacement = law.replaced_at[np.maximum(pair - 1, 0)]
            last_time = self.spliced_at[np.maximum(last_splice, 0)]
            is_unused = ~spliced | (last_time < last_replacement)
            arcs = np.where((pair > 0) & is_unused, 0.0, arcs)
        timestamps = pd.DatetimeIndex(times.astype("datetime64[s]"))
        latest = np.searchsorted(self.passed_at, times, side="right") - 1
        return pd.DataFrame(
            {
                "splicer": law.splicer.name,
                "at": timestamps.tz_localize("UTC").as_unit("us"),
                "site": np.array([s.name for s in law.scenario.sites], object)[site],
                "air_density": law.weather.interpolate("density", site, times),
                "vapor_pressure": law.weather.interpolate("vapor_pressure", site, times),
                "arcs": arcs,
                "required": law.required(times, site, arcs, pair),
                "in_force": np.where(latest >= 0, np.r_[self.stored, 0.0][latest], self.initial),
            }
        )

    def table(self) -> pd.DataFrame:
        """Return the same for every full hour from the first workday on, and for every check.

        Returns
        -------
        DataFrame
            As of `at_times`, in time order, with ``what``: ``hour`` or ``check``.
        """
        first_hour = -(-int(self.day_starts[0]) // _HOUR_S) * _HOUR_S
        hours = np.arange(first_hour, int(self.law.scenario.end.timestamp()), _HOUR_S)
        times = np.r_[hours, self.checked_at]
        row_kind = np.repeat(
            np.array(["hour", "check"], object), [len(hours), len(self.checked_at)]
        )
        order = np.argsort(times, kind="stable")
        settings = self.at_times(times[order])
        settings.insert(2, "what", row_kind[order])
        return settings
