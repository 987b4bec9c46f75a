"""Remaining life of one splicer's electrodes, and the effect of their wear on the arc setting.

They last until the life set in crew.toml, or until the arc setting reaches the machine's limit,
whichever comes first.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_model import ArcModel, Refusal
from arcdrift.analysis.arc.arc_regressors import center_air
from arcdrift.charts.intervals import Z95
from arcdrift.settings import Crew, SettingLimits, Splicer

PACE_WORKDAYS = 40
"""Number of latest workdays from which the arcs a workday are estimated."""
MIN_SPANS = 5
"""Fewest spans between checks from which the pace is estimated."""
RECENT_CHECKS = 30
"""Number of latest checks whose average air is used for forecasts."""
DRAWS = 4000
"""Random draws of the model's coefficients."""
SEED = 20260101


@dataclass(frozen=True)
class Pace:
    """Arcs a workday: mean, standard deviation between days, and number of workdays used."""

    mean: float
    sd: float
    workdays: int


@dataclass(frozen=True)
class Forecast:
    """A forecast with its 95 % interval; ``high`` is None if unbounded."""

    value: float
    low: float
    high: float | None


@dataclass(frozen=True)
class WearCurve:
    """Expected setting against arcs in the recent average air.

    Attributes
    ----------
    curve : DataFrame
        ``arcs``, ``expected``, ``low``, ``high`` (95 %), in the setting's unit.
    points : DataFrame
        Checks on the present electrodes: ``checked_at``, ``arcs``, ``setting`` corrected to that
        air.
    """

    curve: pd.DataFrame
    points: pd.DataFrame
    unit: str


@dataclass(frozen=True)
class ElectrodeState:
    """Wear and remaining life of one splicer's electrodes.

    Attributes
    ----------
    arcs : float or None
        On the present electrodes; None if no count is known.
    life : int or None
        Set in crew.toml.
    pace : Pace or None
    arcs_left, workdays_left : Span or None
        Until the life or the setting limit is reached, whichever is nearer.
    ends_by : str
        Which of the two is nearer: ``life``, ``setting``, or empty if unknown.
    curve : WearCurve or None
    notes : tuple of str
        Why something is missing, in sentences.
    """

    splicer: str
    arcs: float | None
    life: int | None
    limits: SettingLimits | None
    pace: Pace | None
    arcs_left: Forecast | None
    workdays_left: Forecast | None
    ends_by: str
    curve: WearCurve | None
    notes: tuple[str, ...]

    @property
    def share(self) -> float | None:
        """Used share of the life."""
        if self.arcs is None or self.arcs_left is None:
            return None
        total = self.arcs + self.arcs_left.value
        return self.arcs / total if total > 0 else 1.0


def electrode_state(
    splicer: str,
    points: pd.DataFrame,
    days: pd.DataFrame,
    model: ArcModel | Refusal | None,
    crew: Crew,
    arcs_now: float | None = None,
    *,
    with_curve: bool = True,
) -> ElectrodeState:
    """Wear and remaining life of one splicer's electrodes.

    Parameters
    ----------
    points : DataFrame
        Its passed checks with ``arcs`` and air (``result_arc_points``).
    days : DataFrame
        Its days (``result_check_days``): ``first_splice_at``, ``splices``.
    model : ArcModel, Refusal or None
        Its arc model.
    arcs_now : float, optional
        Arcs by now, if known better than from the last check.
    with_curve : bool
        Whether to draw the wear curve, which only pages show.
    """
    settings = crew.splicers.get(splicer, Splicer())
    life, limits = settings.electrode_life_arcs, crew.setting_limits.get(settings.model)
    points = points.sort_values("checked_at")
    notes = []
    counted = points["arcs"].dropna()
    arcs = arcs_now
    if arcs is None and len(points) and pd.notna(points["arcs"].iloc[-1]):
        arcs = float(points["arcs"].iloc[-1])
    if counted.empty:
        notes.append("No arc check carries an arc count, so wear is not known.")
    elif arcs is None:
        notes.append("The last arc check carries no arc count, so the arcs by now are not known.")
    if life is None and limits is None:
        notes.append(
            f"No limit is set: put electrode_life_arcs under [splicers.{splicer}] in crew.toml, "
            "from the maker's manual."
        )
    pace = arc_pace(points, days)
    if pace is None and len(counted):
        notes.append("Too few days with arc counts yet to tell the pace of wear.")
    curve = None
    if isinstance(model, ArcModel) and with_curve:
        curve = wear_curve(points, model, life)
        if curve is None:
            notes.append("No check on the present electrodes has all that the model needs yet.")
    elif isinstance(model, Refusal):
        notes.append(f"The effect of wear on the setting is not known yet: {model.reason}.")
    arcs_left, ends_by = _arcs_left(arcs, life, limits, points, model)
    return ElectrodeState(
        splicer=splicer,
        arcs=arcs,
        life=life,
        limits=limits,
        pace=pace,
        arcs_left=arcs_left,
        workdays_left=None
        if arcs_left is None or pace is None
        else workdays_until(arcs_left, pace),
        ends_by=ends_by,
        curve=curve,
        notes=tuple(notes),
    )


def arc_pace(points: pd.DataFrame, days: pd.DataFrame) -> Pace | None:
    """Estimate the arcs a workday of one splicer from the arc counts at its checks.

    Parameters
    ----------
    points : DataFrame
        Its checks in time order: ``checked_at``, ``epoch``, ``arcs``.
    days : DataFrame
        Its days: ``first_splice_at``, ``splices``.

    Returns
    -------
    Pace or None
        None under `MIN_SPANS` spans between checks on one pair of electrodes.

    Notes
    -----
    A span of w workdays and d arcs has weight w: mean sum(d) / sum(w), variance
    sum((d - w mean)^2 / w) / (spans - 1).
    """
    count = points["arcs"].to_numpy(dtype=np.float64)
    known = ~np.isnan(count)
    work_starts = days["first_splice_at"].to_numpy(dtype="datetime64[us]")
    work_starts = work_starts[(days["splices"] > 0).to_numpy() & ~np.isnat(work_starts)]
    if known.sum() <= MIN_SPANS or not len(work_starts):
        return None
    checked = points["checked_at"].to_numpy(dtype="datetime64[us]")[known]
    workdays_before = np.searchsorted(np.sort(work_starts), checked, side="left")
    epoch, count = points["epoch"].to_numpy()[known], count[known]
    # of several checks without work between them the first counts
    first = np.append(True, (np.diff(workdays_before) != 0) | (np.diff(epoch) != 0))
    workdays_before, epoch, count = workdays_before[first], epoch[first], count[first]
    arcs, workdays = np.diff(count), np.diff(workdays_before)
    usable = (workdays > 0) & (np.diff(epoch) == 0) & (arcs >= 0)
    usable &= workdays_before[1:] > workdays_before[-1] - PACE_WORKDAYS
    arcs, workdays = arcs[usable], workdays[usable]
    if len(arcs) < MIN_SPANS or arcs.sum() <= 0:
        return None
    mean = arcs.sum() / workdays.sum()
    sd = np.sqrt(((arcs - workdays * mean) ** 2 / workdays).sum() / (len(arcs) - 1))
    return Pace(float(mean), float(sd), int(workdays.sum()))


def workdays_until(arcs_left: Forecast, pace: Pace) -> Forecast:
    """Workdays until a number of arcs is fired, with a 95 % interval.

    Notes
    -----
    The day a sum of independent daily arcs first passes r is nearly normal with mean r / m and
    variance r s^2 / m^3 (Cox 1962, *Renewal Theory*, from memory); the mean's own error adds
    (r / m)^2 s^2 / (n m^2). The interval of the arcs left widens it at both ends.
    """

    def half(arcs: float) -> float:
        day_variance = arcs * pace.sd**2 / pace.mean**3
        mean_variance = (arcs / pace.mean * pace.sd / pace.mean) ** 2 / pace.workdays
        return Z95 * float(np.sqrt(day_variance + mean_variance))

    low = max(arcs_left.low / pace.mean - half(arcs_left.low), 0.0)
    high = None if arcs_left.high is None else arcs_left.high / pace.mean + half(arcs_left.high)
    return Forecast(arcs_left.value / pace.mean, low, high)


def wear_curve(points: pd.DataFrame, model: ArcModel, life: int | None) -> WearCurve | None:
    """Expected setting against arcs, in the average air of the latest checks.

    The 95 % band is that of the expected setting; single checks scatter more widely.
    """
    used = points[points["excluded"].isna()]
    if used.empty:
        return None
    present = used[used["epoch"] == points["epoch"].iloc[-1]]
    if present.empty:  # the model's level is that of earlier electrodes
        return None
    mean, cov = np.array(model.mean), np.array(model.cov)
    air = center_air(used.tail(RECENT_CHECKS)).to_numpy(dtype=float)[:, :2].mean(axis=0)
    last_arcs = max([float(life or 0), *present["arcs"].tail(1), model.ranges["arcs"][1]])
    arcs = np.linspace(0.0, last_arcs, 60)
    row = np.column_stack([np.tile(air, (len(arcs), 1)), arcs / 1000.0, np.ones(len(arcs))])
    expected = row @ mean
    half = Z95 * np.sqrt(np.einsum("ij,jk,ik->i", row, cov, row))
    air_effect = (center_air(present).to_numpy(dtype=float)[:, :2] - air) @ mean[:2]
    curve = pd.DataFrame(
        {"arcs": arcs, "expected": expected, "low": expected - half, "high": expected + half}
    )
    corrected = pd.DataFrame(
        {
            "checked_at": present["checked_at"],
            "arcs": present["arcs"],
            "setting": present["arc_setting"] - air_effect,
        }
    )
    return WearCurve(curve, corrected.reset_index(drop=True), model.unit)


def _arcs_left(
    arcs: float | None,
    life: int | None,
    limits: SettingLimits | None,
    points: pd.DataFrame,
    model: ArcModel | Refusal | None,
) -> tuple[Forecast | None, str]:
    """Arcs until the nearer of life and setting limit, and which one is nearer."""
    if arcs is None:
        return None, ""
    by_life = None if life is None else Forecast(*(max(life - arcs, 0.0),) * 3)
    by_setting = None
    if limits is not None and isinstance(model, ArcModel):
        by_setting = _until_setting(arcs, limits, points, model)
    if by_setting is not None and (by_life is None or by_setting.value < by_life.value):
        # the life set in crew.toml is also the latest possible end
        caps = [by_setting.high, None if by_life is None else by_life.value]
        high = min((end for end in caps if end is not None), default=None)
        return Forecast(by_setting.value, min(by_setting.low, by_setting.value), high), "setting"
    return by_life, "" if by_life is None else "life"


def _until_setting(
    arcs: float, limits: SettingLimits, points: pd.DataFrame, model: ArcModel
) -> Forecast | None:
    """Arcs until the expected setting reaches the machine's limit, in the latest average air.

    Median and 95 % interval over seeded draws of the model's coefficients.
    """
    used = points[points["excluded"].isna()]
    if not (used["epoch"] == points["epoch"].iloc[-1]).any():
        return None
    air = center_air(used.tail(RECENT_CHECKS)).to_numpy(dtype=float)[:, :2].mean(axis=0)
    draws = np.random.default_rng(SEED).multivariate_normal(
        model.mean, np.array(model.cov), DRAWS, method="cholesky"
    )
    level = draws[:, :2] @ air + draws[:, 2] * arcs / 1000.0 + draws[:, 3]
    slope = draws[:, 2] / 1000.0
    arcs_left = np.full(DRAWS, np.inf)
    for limit, falling in ((limits.lowest, True), (limits.highest, False)):
        if limit is None:
            continue
        toward = slope < 0 if falling else slope > 0
        distance = np.where(toward, (limit - level) / np.where(toward, slope, 1.0), np.inf)
        already = level <= limit if falling else level >= limit
        arcs_left = np.minimum(arcs_left, np.where(already, 0.0, np.maximum(distance, 0.0)))
    low, median, high = np.quantile(arcs_left, [0.025, 0.5, 0.975], method="inverted_cdf")
    if not np.isfinite(median):
        return None
    return Forecast(float(median), float(low), float(high) if np.isfinite(high) else None)


def forecast_text(forecast: Forecast, noun: str) -> str:
    """Write a forecast's interval in whole numbers, like "about 9 to 14 workdays"."""
    low = int(np.floor(forecast.low))
    if forecast.high is None:
        return f"at least {low:,} {noun}"
    high = int(np.ceil(forecast.high))
    if low == high or high <= 1:
        return f"about {high:,} {noun if high != 1 else noun.removesuffix('s')}"
    return f"about {low:,} to {high:,} {noun}"


def arcs_left_text(state: ElectrodeState) -> str:
    """Write what is left of electrodes: "129 arcs left, about 1 to 4 workdays at this pace".

    Every page, list and finding writes it with this function. Empty where it is not known.
    """
    left = state.arcs_left
    if left is None or state.arcs is None:
        return ""
    if left.value <= 0:
        end = f", set to last {state.life:,}" if state.ends_by == "life" and state.life else ""
        return f"no arcs left: {state.arcs:,.0f} on them{end}"
    amount = f"{left.value:,.0f} arcs" if left.low == left.high else forecast_text(left, "arcs")
    if state.workdays_left is None:
        return f"{amount} left"
    return f"{amount} left, {forecast_text(state.workdays_left, 'workdays')} at this pace"
