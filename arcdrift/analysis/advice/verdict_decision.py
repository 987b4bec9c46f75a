"""Decision between the five verdicts on a splicer's arc, as one table of conditions."""

from dataclasses import dataclass
from typing import Literal

from arcdrift.verdicts import VerdictCode

SettingState = Literal["right", "off", "unknown"]


@dataclass(frozen=True)
class ArcConditions:
    """All that the verdict on a splicer's arc depends on.

    Attributes
    ----------
    passed_today : bool
        Whether an arc check has passed since this workday began. False also where only failed or
        aborted checks were made today, and where no check has ever passed.
    setting : str
        Whether the setting in force suits the arc now: ``off`` if the model gives it a chance of
        one half or more of being off by more than the tolerance, or if a plain rule is broken
        (a check that failed since the last pass, new electrodes or other service, another site,
        air that moved further than the rules allow); ``unknown`` if no rule is broken but
        neither the model nor the rules can be applied, as where the air is not known or lies
        outside what the model has seen and cannot be compared with that of the check either;
        else ``right``.
    drift_open : bool
        Whether the arc is drifting or has jumped by more than air and wear explain, and no service
        since may have mended it.
    electrodes_worn : bool
        Whether the electrodes are near the end of their life.
    unchecked_splices : int
        Splices made since the arc should have been checked.
    """

    passed_today: bool
    setting: SettingState
    drift_open: bool = False
    electrodes_worn: bool = False
    unchecked_splices: int = 0


def decide_verdict(conditions: ArcConditions) -> VerdictCode:
    """Decide the verdict; the first line of the table that applies counts.

    =============  =========  ==============  ==================
    passed today   setting    drift or wear   verdict
    =============  =========  ==============  ==================
    no             any        any             ``run-check``
    yes            off        any             ``recalibrate``
    yes            unknown    any             ``cannot-tell``
    yes            right      yes             ``inspect``
    yes            right      no              ``keep-working``
    =============  =========  ==============  ==================

    Notes
    -----
    The daily check comes before everything else, because it is due whatever the model expects, and
    because it measures what the model only estimates: a setting that is probably off, new
    electrodes, another site and missing air are all settled by it. They are told as reasons. If
    only failed checks were made today, the check is still due. So ``recalibrate`` always means
    that a check of today is no longer enough.

    A setting that is off comes before a drift or worn electrodes: each splice is made with the
    wrong arc until it is corrected, while those can wait until the end of the shift. They stay
    among the reasons.

    Where nobody can say whether the setting is right, nobody can say *keep working* either, with
    or without a drift: ``inspect`` is for a setting that is known to be right. A drift or worn
    electrodes are then told as the next reason.

    The number of splices made without a check changes what is told first, not what to do.
    """
    if not conditions.passed_today:
        return "run-check"
    if conditions.setting == "off":
        return "recalibrate"
    if conditions.setting == "unknown":
        return "cannot-tell"
    if conditions.drift_open or conditions.electrodes_worn:
        return "inspect"
    return "keep-working"
