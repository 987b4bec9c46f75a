"""Effect of an electrode replacement on one splicer, and replacements made too early or late."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy.special import fdtri, stdtrit

from arcdrift.analysis.arc.arc_model import ArcModel, Refusal
from arcdrift.analysis.arc.arc_regressors import center_air
from arcdrift.analysis.arc.pooled_regression import SLOPES
from arcdrift.analysis.common.service_actions import REPLACED, RESTART_ACTIONS
from arcdrift.arrays import Datetimes, Floats
from arcdrift.charts.intervals import CONFIDENCE_LEVEL
from arcdrift.finding import Finding

NEED_CHECKS = 8
"""Checks required before and after a replacement for a comparison of levels and scatter."""
NEED_DAYS = 5
"""Days with work required before and after it for a comparison of losses."""
LEVEL_CHECKS = 10
"""Checks before and after it whose mean settings are compared."""
SCATTER_CHECKS = 20
"""Checks before and after it whose scatter is compared."""
LOSS_DAYS = 10
"""Days with work before and after it whose losses are compared."""
EARLY_SHARE = 0.5
"""Share of the set life under which a replacement is early (common practice, no source)."""
LATE_SHARE = 1.1
"""Share of the set life over which a replacement is late (common practice, no source)."""
REASON_WITHIN = pd.Timedelta(days=30)
"""An alarm or failed check within this time before a replacement counts as its reason."""

Outcome = Literal["better", "as before", "worse", "too early"]


@dataclass(frozen=True)
class Change:
    """Values before and after, and the change (difference or ratio) with its 95 % interval."""

    before: float
    after: float
    change: float
    low: float
    high: float


@dataclass(frozen=True)
class Replacement:
    """Comparison of checks and losses before and after one electrode replacement.

    Attributes
    ----------
    arcs : float or None
        On the old electrodes at their last check.

    setting : Change or None
        Setting level corrected for air; a difference in the setting's unit.
    scatter : Change or None
        Standard deviation of checks corrected for air and wear; ``change`` is a ratio.
    loss : Change or None
        Capped day mean, dB; ``change`` is a ratio within programs.
    """

    at: pd.Timestamp
    arcs: float | None

    setting: Change | None
    scatter: Change | None
    loss: Change | None
    outcome: Outcome
    sentence: str


def compare_replacement(
    at: pd.Timestamp,
    points: pd.DataFrame,
    days: pd.DataFrame,
    service: pd.DataFrame,
    model: ArcModel | Refusal | None,
    phi: float,
    life_arcs: int | None = None,
) -> Replacement:
    """Compare checks and losses before an electrode replacement with those after it.

    Parameters
    ----------
    at : Timestamp
        UTC; when the electrodes were replaced.
    points : DataFrame
        The splicer's passed checks: ``checked_at``, ``epoch``, ``arc_setting``, ``arcs``, air.
    days : DataFrame
        Its stream days: ``program``, ``day``, ``segment``, ``capped_mean_db``.
    service : DataFrame
        Its service events.
    model : ArcModel, Refusal or None
        Its slopes correct the settings for air and wear; without a model they stay as they are.
    phi : float
        Lag-1 correlation of checks, by which the interval of the setting is widened.
    life_arcs : int, optional
        Arcs the electrodes are set to last; the sentence says if they were replaced later.

    Notes
    -----
    Setting: Welch's t interval, widened by sqrt((1 + phi) / (1 - phi)). Scatter: F interval of
    a ratio of variances. Loss: least squares of log day means on programs and on before/after.
    """
    slopes = np.array(model.mean[:SLOPES]) if isinstance(model, ArcModel) else None
    restarts = service.loc[service["action"].isin(RESTART_ACTIONS), "serviced_at"]
    old_epoch, new_epoch = int((restarts < at).sum()), int((restarts <= at).sum())
    points = points[points["arc_setting"].notna()].sort_values("checked_at")
    if slopes is not None:
        points = points[points["excluded"].isna()]
    before, after = points[points["epoch"] == old_epoch], points[points["epoch"] == new_epoch]
    enough = min(len(before), len(after)) >= NEED_CHECKS
    both_epochs = days[days["segment"].isin([old_epoch, new_epoch])]
    workdays = {
        side: both_epochs.loc[both_epochs["segment"] == side, "day"].nunique()
        for side in (old_epoch, new_epoch)
    }
    loss = _compare_loss(both_epochs, old_epoch) if min(workdays.values()) >= NEED_DAYS else None
    setting = _compare_setting(before, after, slopes, phi) if enough else None
    scatter = _compare_scatter(before, after, slopes) if enough else None
    counted = before["arcs"].dropna()
    outcome, sentence = _outcome(len(before), len(after), workdays[new_epoch], scatter, loss)
    arcs = None if counted.empty else float(counted.iloc[-1])
    if arcs is not None and life_arcs is not None and arcs > LATE_SHARE * life_arcs:
        late = f"The old pair was {arcs - life_arcs:,.0f} arcs past its life of {life_arcs:,}."
        sentence = f"{late} {sentence}"
    return Replacement(
        at=at,
        arcs=arcs,
        setting=setting,
        scatter=scatter,
        loss=loss,
        outcome=outcome,
        sentence=sentence,
    )


def latest_replacement(service: pd.DataFrame) -> pd.Timestamp | None:
    """Time of the last electrode replacement in the service log; None if there is none."""
    at = service.loc[service["action"] == REPLACED, "serviced_at"]
    return None if at.empty else at.max()


def _corrected_setting(points: pd.DataFrame, slopes: Floats | None, effects: int) -> Floats:
    """Settings less the effect of the first ``effects`` regressors, shape (n,)."""
    level = points["arc_setting"].to_numpy(dtype=float)
    if slopes is None:
        return level
    x = center_air(points).to_numpy(dtype=float)
    return np.asarray(level - x[:, :effects] @ slopes[:effects])


def _compare_setting(
    before: pd.DataFrame, after: pd.DataFrame, slopes: Floats | None, phi: float
) -> Change:
    old = _corrected_setting(before.tail(LEVEL_CHECKS), slopes, 2)
    new = _corrected_setting(after.head(LEVEL_CHECKS), slopes, 2)
    change = float(new.mean() - old.mean())
    half = welch_half_width(old, new) * np.sqrt((1 + phi) / (1 - phi))
    windows = (before.tail(LEVEL_CHECKS), after.head(LEVEL_CHECKS))
    first, second = (float(part["arc_setting"].mean()) for part in windows)
    return Change(first, second, change, float(change - half), float(change + half))


def welch_half_width(old: Floats, new: Floats) -> float:
    """Half width of the 95 % interval of a difference of means with unequal variances.

    Parameters
    ----------
    old, new : ndarray
        Independent values of both sides, at least two each.

    Notes
    -----
    B. L. Welch, "The generalization of 'Student's' problem when several different population
    variances are involved", Biometrika 34 (1947), 28-35; degrees of freedom by Satterthwaite.
    """
    squares = np.array([side.var(ddof=1) / len(side) for side in (old, new)])
    spare = np.array([len(side) - 1 for side in (old, new)])
    if not squares.any():
        return 0.0
    df = squares.sum() ** 2 / (squares**2 / spare).sum()
    return float(stdtrit(df, 0.5 + CONFIDENCE_LEVEL / 2) * np.sqrt(squares.sum()))


def _compare_scatter(before: pd.DataFrame, after: pd.DataFrame, slopes: Floats | None) -> Change:
    old = _corrected_setting(before.tail(SCATTER_CHECKS), slopes, 3)
    new = _corrected_setting(after.head(SCATTER_CHECKS), slopes, 3)
    sds = [float(np.std(side, ddof=1)) for side in (old, new)]
    if min(sds) == 0:
        return Change(sds[0], sds[1], np.nan, 0.0, np.inf)
    ratio = (sds[1] / sds[0]) ** 2
    tail = (1.0 - CONFIDENCE_LEVEL) / 2.0
    low, high = (fdtri(len(new) - 1, len(old) - 1, p) for p in (tail, 1.0 - tail))
    return Change(
        sds[0], sds[1], float(np.sqrt(ratio)),
        float(np.sqrt(ratio / high)), float(np.sqrt(ratio / low)),
    )  # fmt: skip


def _compare_loss(days: pd.DataFrame, old_epoch: int) -> Change | None:
    is_old = days["segment"] == old_epoch
    days_by_side = {
        side: np.sort(days.loc[is_old == side, "day"].unique()) for side in (True, False)
    }
    selected = days["day"].isin(
        [*days_by_side[True][-LOSS_DAYS:], *days_by_side[False][:LOSS_DAYS]]
    )
    used = days[selected & (days["capped_mean_db"] > 0)]
    epochs_of_program = used.groupby("program")["segment"].nunique()
    used = used[used["program"].isin(epochs_of_program.index[epochs_of_program == 2])]
    if used.empty:
        return None
    programs = pd.get_dummies(used["program"]).to_numpy(dtype=float)
    after = (used["segment"] != old_epoch).to_numpy(dtype=float)
    if len(used) <= programs.shape[1] + 2:
        return None
    # loaded here, because the dashboard shows replacements, and most have no such losses
    from statsmodels.regression.linear_model import OLS

    fit = OLS(np.log(used["capped_mean_db"]), np.column_stack([programs, after])).fit()
    change = float(np.asarray(fit.params)[-1])
    low, high = np.asarray(fit.conf_int(alpha=1 - CONFIDENCE_LEVEL))[-1]
    means = used.groupby(after == 0)["capped_mean_db"].mean()
    return Change(
        float(means[True]), float(means[False]), float(np.exp(change)),
        float(np.exp(low)), float(np.exp(high)),
    )  # fmt: skip


def _outcome(
    before: int, after: int, days_after: int, scatter: Change | None, loss: Change | None
) -> tuple[Outcome, str]:
    if scatter is None and loss is None:
        if after < NEED_CHECKS:
            return "too early", f"Too few checks yet to tell ({after} of {NEED_CHECKS})."
        if before < NEED_CHECKS:
            return "too early", (
                f"Too few checks on the old electrodes to compare with ({before} of {NEED_CHECKS})."
            )
        return "too early", f"Too few days with work yet ({days_after} of {NEED_DAYS})."
    known = [
        (name, part)
        for name, part in (("checks scatter", scatter), ("loss", loss))
        if part is not None and np.isfinite(part.change)
    ]
    worse = [name for name, part in known if part.low > 1]
    better = [name for name, part in known if part.high < 1]
    if worse:
        subject = " and ".join(worse)
        more = "more" if worse == ["checks scatter"] else "is higher" if len(worse) == 1 else "more"
        return "worse", (
            f"It did not help: {subject} {more} than before. With the power off, look at how the "
            "new electrodes sit, then repeat the arc check."
        )
    if better:
        phrases = {"checks scatter": "checks scatter less", "loss": "loss is lower"}
        return "better", f"It worked: {' and '.join(phrases[name] for name in better)} than before."
    missing = [] if loss is not None else [f"losses: {days_after} of {NEED_DAYS} days yet"]
    missing += [] if scatter is not None else [f"checks: {after} of {NEED_CHECKS} yet"]
    note = f" ({'; '.join(missing)})" if missing else ""
    return "as before", f"As good as before: nothing got worse, nothing clearly better{note}."


def days_with_reason(days: pd.DataFrame, check_days: pd.DataFrame) -> dict[str, Datetimes]:
    """Days on which the losses rose or a check failed, by splicer.

    Parameters
    ----------
    days : DataFrame
        Stream days: ``splicer``, ``day``, ``alarm`` of the loss chart.
    check_days : DataFrame
        Check days: ``splicer``, ``day``, ``failed_attempts``.
    """
    reasons = pd.concat(
        [
            days.loc[days["alarm"] == "up", ["splicer", "day"]],
            check_days.loc[check_days["failed_attempts"] > 0, ["splicer", "day"]],
        ]
    )
    day = reasons["day"].to_numpy(dtype="datetime64[D]")
    return {str(name): day[rows] for name, rows in reasons.groupby("splicer").indices.items()}


def replacement_findings(
    splicer: str,
    points: pd.DataFrame,
    reasons: Datetimes,
    service: pd.DataFrame,
    life_arcs: int | None,
    now: pd.Timestamp,
) -> list[Finding]:
    """Notes on electrodes replaced late, or early without a recorded reason.

    Late is after `LATE_SHARE` of their life, early before `EARLY_SHARE` of it. Reasons are an
    alarm of the drift or loss chart, or a failed check, within `REASON_WITHIN`.

    Parameters
    ----------
    points : DataFrame
        The splicer's checks in time order: ``checked_at``, ``epoch``, ``arcs``, and ``alarm`` of
        the drift chart.
    reasons : array of datetime64[D]
        Its `days_with_reason`.
    service : DataFrame
        Its service events.
    """
    found: list[Finding] = []
    if life_arcs is None:
        return found
    actions = service["action"].tolist()
    times = service["serviced_at"].to_numpy(dtype="datetime64[us]")
    restarts = times[[action in RESTART_ACTIONS for action in actions]]
    replaced = np.sort(times[[action == REPLACED for action in actions]])
    replaced = replaced[replaced <= now.to_datetime64()]
    checked, epoch = points["checked_at"].to_numpy("datetime64[us]"), points["epoch"].to_numpy()
    counts = points["arcs"].to_numpy(dtype=np.float64)
    alarmed = points["alarm"].to_numpy(dtype=bool)
    window = np.timedelta64(REASON_WITHIN.to_pytimedelta())
    for moment in replaced:
        before_replacement = (epoch == (restarts < moment).sum()) & (checked < moment)
        known = counts[before_replacement & ~np.isnan(counts)]
        if not len(known):
            continue
        arcs = float(known[-1])
        at = pd.Timestamp(moment, tz="UTC")
        if arcs > LATE_SHARE * life_arcs:
            found.append(_life_finding("electrodes-late", splicer, at, arcs, life_arcs, now))
        if arcs >= EARLY_SHARE * life_arcs:
            continue
        since = moment - window
        first, last = since.astype("datetime64[D]"), moment.astype("datetime64[D]")
        drift_alarm = before_replacement & alarmed & (checked >= since)
        reason = (reasons >= first) & (reasons <= last)
        if drift_alarm.any() or reason.any():
            continue
        found.append(_life_finding("electrodes-early", splicer, at, arcs, life_arcs, now))
    return found


def _life_finding(
    kind: str, splicer: str, at: pd.Timestamp, arcs: float, life_arcs: int, now: pd.Timestamp
) -> Finding:
    """Note on electrodes replaced after their life, or early though nothing asked for it."""
    if kind == "electrodes-late":
        age = f"{arcs:,.0f} arcs, {arcs - life_arcs:,.0f} past their life of {life_arcs:,}."
        next_step = (
            "Worn electrodes make weak, scattered splices: next time replace them when the "
            "splicer's page says they are due. If they do last longer, set electrode_life_arcs in "
            "crew.toml to what they do."
        )
    else:
        age = f"{arcs:,.0f} of {life_arcs:,} arcs, while neither checks nor loss asked for it."
        next_step = (
            "Electrodes cost money: next time wait for the forecast on the splicer's page. If they "
            "do not last that long, set electrode_life_arcs in crew.toml to what they do."
        )
    return Finding(
        kind=kind,
        subject_type="splicer",
        subject_id=splicer,
        since=at.to_pydatetime(),
        until=at.to_pydatetime(),
        severity="note",
        evidence={
            "arcs_on_electrodes": arcs,
            "electrode_life_arcs": life_arcs,
            "share_of_life": round(arcs / life_arcs, 2),
        },
        summary=f"{splicer}: electrodes replaced on {at:%Y-%m-%d} after {age}",
        next_step=next_step,
        assessed_on=now.to_pydatetime(),
    )
