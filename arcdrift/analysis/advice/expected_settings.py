"""Settings to expect of one splicer in any air, as advice would tell them there.

From the splicer's own model; from the slopes of its peers and its last check while it has none.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from arcdrift.air.moist_air import air_density, vapor_pressure
from arcdrift.analysis.advice.advice import (
    NO_ARCS,
    NO_MODEL,
    NO_SETTING,
    SERVICED,
    required_in_air,
    usable_range,
    was_restarted,
)
from arcdrift.analysis.advice.required_setting import AirAndWear, SettingModel
from arcdrift.analysis.advice.splicer_state import LastCheck, SplicerState
from arcdrift.analysis.arc.arc_model import DEFAULT_TOLERANCE, ArcModel, PeerSlopes, Refusal
from arcdrift.analysis.arc.arc_points import REGRESSORS
from arcdrift.analysis.arc.arc_regressors import centered_regressors
from arcdrift.analysis.arc.indoor_checks import PRIOR_SHARE
from arcdrift.arrays import Floats
from arcdrift.charts.intervals import Z95

WEAR_SHARE = 0.5
"""Share of the tolerance that wear may take before settings told in advance are stale: the other
half is left for the air, for the check and for what nothing explains (our choice, no source)."""
NO_AIR_THEN = "the air or the arc count at the last check is not known"


@dataclass(frozen=True)
class PeerModel:
    """Peers' slopes through a splicer's last check: a model of a splicer that has none.

    Attributes
    ----------
    mean, cov : tuple
        As in `arcdrift.analysis.arc.arc_model.ArcModel`.

    Notes
    -----
    The level is what the last check stored less the slopes at its air and wear. So level and
    slopes vary together: with V the covariance of the slopes, x the regressors at the check and s
    its repeatability, cov(slopes, level) = -V x and var(level) = s^2 + x' V x. The variance at the
    check's own air is s^2, and grows with the distance from it.
    """

    mean: tuple[float, ...]
    cov: tuple[tuple[float, ...], ...]
    sigma: float
    ranges: dict[str, tuple[float, float]]
    degrees_of_freedom: int
    indoor_share: float = PRIOR_SHARE

    @classmethod
    def through(cls, peers: PeerSlopes, check: AirAndWear, setting: float) -> "PeerModel":
        """Return the peers' slopes through a check that stored a setting."""
        x, slopes, spread = check.regressors[:3], np.array(peers.mean), np.array(peers.cov)
        cov = np.zeros((4, 4))
        cov[:3, :3] = spread
        cov[:3, 3] = cov[3, :3] = -spread @ x
        cov[3, 3] = peers.sigma**2 + x @ spread @ x
        return cls(
            mean=(*peers.mean, float(setting - x @ slopes)),
            cov=tuple(tuple(map(float, row)) for row in cov),
            sigma=peers.sigma,
            ranges=peers.ranges,
            degrees_of_freedom=max(peers.peers - 1, 1),
        )


@dataclass(frozen=True)
class ExpectedSettings:
    """Settings to expect of one splicer, at the present wear of its electrodes.

    Attributes
    ----------
    unit : str
        Of the arc setting.
    setting : float
        The one that the last check stored.
    tolerance : float
        Difference from it that calls for a recalibration.
    arcs : float
        On the electrodes by now.
    checks : int
        Of the splicer itself that the settings rest on.
    peers : int
        Splicers of its model that lent their slopes.
    only_peers : bool
        Whether all slopes are theirs, as the splicer has no model of its own yet.
    why_peers : str
        Why it has none; empty where it has one.
    """

    unit: str
    setting: float
    tolerance: float
    arcs: float
    checks: int
    peers: int
    only_peers: bool
    why_peers: str
    _state: SplicerState
    _model: SettingModel
    _last: LastCheck

    def at(
        self, temperature_c: float, pressure_hpa: float, humidity_pct: float
    ) -> tuple[float, float, float] | None:
        """Return the setting in some air and its 95 % interval; None outside the air ever seen."""
        air, pressure, humidity = (
            np.array([value]) for value in (temperature_c, pressure_hpa, humidity_pct)
        )
        density = float(air_density(air, pressure, humidity)[0])
        vapor = float(vapor_pressure(air, humidity)[0])
        if not self._is_seen(np.array([density]), np.array([vapor]))[0]:
            return None
        now = AirAndWear(temperature_c, pressure_hpa, density, vapor, self.arcs, outdoor=False)
        required = required_in_air(self._state, self._model, now, self._last, self.setting)
        return required.value, *required.interval

    def grid(self, temperature_c: Floats, pressure_hpa: Floats, humidity_pct: float) -> Floats:
        """Return the settings at each temperature and pressure; NaN outside the air ever seen.

        Returns
        -------
        array of shape (temperatures, pressures)
        """
        air, pressure = np.meshgrid(temperature_c, pressure_hpa, indexing="ij")
        density = np.asarray(air_density(air, pressure, humidity_pct)).ravel()
        vapor = np.asarray(vapor_pressure(air, humidity_pct)).ravel()
        rows = centered_regressors(
            pd.DataFrame(dict(zip(REGRESSORS, (density, vapor, self.arcs), strict=True)))
        )
        mean = self._coefficients[0]
        values = np.where(self._is_seen(density, vapor), rows @ mean[:3] + mean[3], np.nan)
        return np.asarray(values.reshape(air.shape))

    @property
    def wear(self) -> float:
        """Change of the setting over 1,000 arcs."""
        return float(self._coefficients[0][2])

    @property
    def stale_after_arcs(self) -> float:
        """Arcs from now on after which wear may have moved the setting by half the tolerance.

        The wear counted with is the end of its 95 % interval that is farther from zero.
        """
        mean, cov = self._coefficients
        fastest = abs(float(mean[2])) + Z95 * float(np.sqrt(cov[2, 2]))
        return 1000.0 * WEAR_SHARE * self.tolerance / fastest if fastest > 0 else np.inf

    @property
    def _coefficients(self) -> tuple[Floats, Floats]:
        """Coefficients after the last check, and their covariance; the same in any air."""
        now = AirAndWear(None, None, 1.225, 10.0, self.arcs, outdoor=False)
        required = required_in_air(self._state, self._model, now, self._last, self.setting)
        return required.mean, required.cov

    def _is_seen(self, density: Floats, vapor: Floats) -> np.ndarray:
        seen = np.ones(len(density), dtype=bool)
        for name, values in zip(REGRESSORS[:2], (density, vapor), strict=True):
            low, high = usable_range(self._model, name)
            seen &= (low <= values) & (values <= high)
        return seen


def expected_settings(
    state: SplicerState, model: ArcModel | Refusal | None
) -> ExpectedSettings | str:
    """Settings to expect of a splicer in its present state; else the reason why none can be told.

    The reasons are those for which advice has no answer of the model either, but for one: while a
    splicer has no model of its own, its peers' slopes go through its last check.
    """
    last = state.last_check
    if model is None:
        return NO_MODEL
    if isinstance(model, Refusal) and model.peer_slopes is None:
        return model.reason
    if last is None or last.arc_setting is None:
        return NO_SETTING
    if was_restarted(state):
        return SERVICED
    arcs = state.arcs_now
    if arcs is None:
        return NO_ARCS
    used: SettingModel
    if isinstance(model, ArcModel):
        used, peers = model, model.peers
    else:
        if last.air_and_wear is None or model.peer_slopes is None:
            return f"{model.reason}; {NO_AIR_THEN}"
        used = PeerModel.through(model.peer_slopes, last.air_and_wear, last.arc_setting)
        peers = model.peer_slopes.peers
        # the peers' slopes go through that check: it must not count twice
        state = replace(state, learned_until=state.now)
    return ExpectedSettings(
        unit=state.unit,
        setting=last.arc_setting,
        tolerance=state.tolerance or DEFAULT_TOLERANCE * used.sigma,
        arcs=arcs,
        checks=model.used,
        peers=peers,
        only_peers=isinstance(model, Refusal),
        why_peers=model.reason if isinstance(model, Refusal) else "",
        _state=state,
        _model=used,
        _last=last,
    )
