"""Alarms of the loss charts, told of the subjects whose rise explains them.

An alarm says that something rose; `arcdrift.analysis.causes.subject_posterior` says what. Episodes
of alarms whose evidence is gone once a named subject's rise is allowed for are appearances of that
one cause. Falls are not compared: each is told of its own subject.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.measure_model import MeasureModel, SubjectShift
from arcdrift.analysis.causes.shift_cells import ShiftCells
from arcdrift.analysis.causes.shift_sizes import ShiftSizes
from arcdrift.analysis.causes.subject_posterior import (
    HISTORY_SPAN,
    ONSET_SPAN,
    NamedShift,
    SubjectComparison,
    with_end,
)
from arcdrift.analysis.loss.alarm_episodes import MEASURES, NEAR, Episode, alarm_episodes
from arcdrift.analysis.loss.loss_charts import AllLossCharts
from arcdrift.arrays import Bools

LOOK_AHEAD = np.timedelta64(14, "D")
"""Days after an alarm that are looked at too, where they exist: ten workdays."""
CHANCE_EVIDENCE, UNEXPLAINED_SHARE = 3.0, 0.15
"""An episode is explained if its log Bayes factor falls to this value, or to this share of its
own, when the named rises are allowed for."""
REST_OF_CHANCE = 2.0 / 3.0
"""The same share once all subjects were compared again and no other could be named: an alarm of one
of many subjects of a raised site or crew is partly chance."""
SHARED_WORK = 0.1
"""Smallest share of an episode's splices that the subject which explains it made."""


@dataclass(frozen=True)
class AttributedAlarms:
    """Episodes of one cause.

    Attributes
    ----------
    main : Episode
        The rise of the subject that explains the others.
    also : tuple of Episode
        Episodes of other charts that it explains.
    named : NamedShift or None
        Odds of that subject; None where no subject is likely enough, so that the alarm may be
        chance.
    others : tuple of SubjectShift
        Rises of other subjects of the same time.
    """

    main: Episode
    also: tuple[Episode, ...] = ()
    named: NamedShift | None = None
    others: tuple[SubjectShift, ...] = ()

    @property
    def people(self) -> frozenset[str]:
        """People whom the comparison of subjects names, first or beside the first."""
        if self.named is None:
            return frozenset()
        shift = self.named.shift
        named = [(shift.subject_type, shift.subject_id), *(r[:2] for r in self.named.rivals)]
        return frozenset(name for kind, name in named if kind == "technician" and name)


@dataclass
class _Group:
    """Episodes of one rise."""

    shift: SubjectShift
    named: NamedShift | None = None
    episodes: list[Episode] = field(default_factory=list)

    @property
    def subject(self) -> tuple[str, str]:
        return self.shift.subject_type, self.shift.subject_id

    @property
    def splicer(self) -> str:
        return _splicer_of(self.shift)

    def settled(self) -> "_Group":
        """The group, with its first measure and time if no subject was named."""
        if self.named is not None:
            return self
        first = min(self.episodes, key=lambda e: (MEASURES.index(e.measure), e.first))
        shift = replace(
            self.shift,
            measure=first.measure,
            first=_day(first.onset),
            last=max(_day(episode.last) for episode in self.episodes),
        )
        return _Group(shift, None, self.episodes)

    def add(self, episode: Episode) -> None:
        self.episodes.append(episode)
        last = max(self.shift.last, _day(episode.last))
        self.shift = replace(self.shift, last=last)


def attribute_alarms(charts: AllLossCharts, cells: ShiftCells) -> list[AttributedAlarms]:
    """Group episodes by cause, each group about the subject that explains it.

    Parameters
    ----------
    charts : AllLossCharts
    cells : ShiftCells
        Cells of the same days.
    """
    found = alarm_episodes(charts)
    falls = [AttributedAlarms(episode) for episode in found if episode.side == "down"]
    rising = [episode for episode in found if episode.side == "up"]
    if not rising:
        return falls
    attribution = _Attribution(cells)
    for episode in sorted(rising, key=lambda e: (MEASURES.index(e.measure), e.first, e.subject)):
        attribution.add(episode)
    attribution.attach_unnamed()
    groups = [*falls, *attribution.results(ShiftSizes(cells, charts))]
    return sorted(groups, key=lambda group: (group.main.first, group.main.subject))


class _Attribution:
    """Groups of episodes, extended by one episode at a time."""

    def __init__(self, cells: ShiftCells) -> None:
        self._cells, self._kept = cells, cells.kept
        self._end = cells.cells.day.max()
        self._groups: list[_Group] = []
        self._models: dict[tuple[str, np.datetime64, np.datetime64], MeasureModel] = {}
        self._comparisons: dict[np.datetime64, SubjectComparison] = {}

    def add(self, episode: Episode) -> None:
        """Attach an episode to the rise that explains it, comparing all subjects if none does."""
        self._comparisons.clear()  # those of the episode before
        group = self._explaining_group(episode)
        if group is None:
            another = self._compare_subjects(episode)
            share = UNEXPLAINED_SHARE if another else REST_OF_CHANCE
            group = self._explaining_group(episode, share)
        if group is None:
            group = self._unnamed_group(episode)
        group.add(episode)

    def _compare_subjects(self, episode: Episode) -> bool:
        """Name the subjects that rose around an episode; whether there is a new one."""
        first, last = _day(episode.first), _day(episode.last)
        looks = {
            min(day, self._end) for day in (first, last, first + LOOK_AHEAD, last + LOOK_AHEAD)
        }  # fmt: skip
        known = [group.shift for group in self._groups if group.named is not None]
        best: list[NamedShift] = []
        for until in sorted(looks, reverse=True):
            current = [shift for shift in known if shift.first <= until]
            comparison = self._comparison(episode.measure, until)
            named = self._kept.get(
                ["named", *comparison.depends_on(current)],
                partial(comparison.named, current),
            )
            if _top(named) > _top(best):
                best = named
        for named_shift in best:
            # a rise is seen until the last alarm of the episodes it explains
            shift = replace(named_shift.shift, last=min(named_shift.shift.last, last))
            shift = replace(shift, last=max(shift.last, shift.first))
            self._groups.append(_Group(shift, named_shift))
        return bool(best)

    def _comparison(self, measure: str, until: np.datetime64) -> SubjectComparison:
        """The comparison of an episode's measure up to a day."""
        if until not in self._comparisons:
            self._comparisons[until] = SubjectComparison(self._cells, measure, until)
        return self._comparisons[until]

    def _explaining_group(
        self, episode: Episode, unexplained: float = UNEXPLAINED_SHARE
    ) -> _Group | None:
        near = [group for group in self._groups if group.named and _near(group.shift, episode)]
        for group in near:
            if group.subject == episode.subject or _is_part(episode.subject, group.subject):
                return group
        if not near:
            return None
        model = self._model(episode)
        subject = self._cells.cells.subject(episode.subject_type, episode.subject_id, model.rows)
        cells = subject & _between(model, _day(episode.onset), _day(episode.last))
        splices = self._cells.cells.sums["n"][model.rows]
        made = float(splices[cells].sum())

        def evidence(groups: Sequence[_Group]) -> float:
            shifts = [_extended(group.shift, episode) for group in groups]
            return self._kept.get(
                ["evidence", model.content, shifts, np.packbits(cells)],
                lambda: model.log_bayes_factor(model.with_shifts(shifts), cells),
            )

        sharing = [
            group
            for group in near
            if splices[cells & model.cells_of(_extended(group.shift, episode))].sum()
            >= SHARED_WORK * max(made, 1.0)
        ]
        if not sharing:
            return None
        whole = evidence([])
        if evidence(sharing) > max(CHANCE_EVIDENCE, unexplained * whole):
            return None
        return min(sharing, key=lambda group: evidence([group]))

    def _model(self, episode: Episode) -> MeasureModel:
        first, last = _day(episode.onset), _day(episode.last)
        key = (episode.measure, first, last)
        if key not in self._models:
            rows = self._cells.rows_between(first - HISTORY_SPAN, last)
            self._models[key] = self._cells.model(episode.measure, rows, first)
        return self._models[key]

    def _unnamed_group(self, episode: Episode) -> _Group:
        """Group of an episode that no named rise explains."""
        shift = self._unnamed_subject(episode)
        for group in self._groups:
            if group.splicer == _splicer_of(shift) and _near(group.shift, episode):
                return group
        self._groups.append(_Group(shift))
        return self._groups[-1]

    def _unnamed_subject(self, episode: Episode) -> SubjectShift:
        """The likeliest stream or splicer behind an episode that no named rise explains.

        An alarm of a stream or splicer is told of itself unless another is far likelier; a
        person, a site or the crew is not told of one for which it is not likely enough to be
        named.
        """
        first, last = _day(episode.onset), _day(episode.last)
        own = SubjectShift(episode.measure, *episode.subject, first, last)
        known = [
            group.shift
            for group in self._groups
            if group.named is not None and group.shift.first <= last
        ]
        comparison = self._comparison(episode.measure, last)
        model = comparison.model
        subject = self._cells.cells.subject(episode.subject_type, episode.subject_id, model.rows)
        cells = subject & _between(model, max(first, last - ONSET_SPAN), last)
        machine = self._kept.get(
            ["machine", *comparison.depends_on(known), np.packbits(cells), episode.subject],
            lambda: comparison.best_machine(cells, episode.subject, known),
        )
        if machine is None:
            return own
        return replace(own, subject_type=machine[0], subject_id=machine[1])

    def attach_unnamed(self) -> None:
        """Attach episodes to rises that were named only after them."""
        for group in [group for group in self._groups if group.named is None]:
            for episode in list(group.episodes):
                explaining = self._explaining_group(episode)
                if explaining is not None:
                    group.episodes.remove(episode)
                    explaining.add(episode)

    def _ended(self, group: _Group) -> _Group:
        """A group whose named rise ends where its cells say, at the last of its alarms at most."""
        shift = group.shift
        if group.named is None:
            return group
        rows = self._cells.rows_between(shift.first - HISTORY_SPAN, shift.last)
        model = self._cells.model(shift.measure, rows, shift.first)
        ended = self._kept.get(
            ["end", model.content, shift], lambda: with_end(model, shift, shift.last)
        )
        return _Group(ended, group.named, group.episodes)

    def results(self, sizes: ShiftSizes) -> list[AttributedAlarms]:
        """Groups that have episodes, with the size of each rise."""
        used = [self._ended(group.settled()) for group in self._groups if group.episodes]
        found = []
        for group in used:
            others = tuple(
                other.shift
                for other in used
                if other is not group and other.named is not None
                and other.shift.first <= group.shift.last
                and other.shift.last >= group.shift.first - HISTORY_SPAN
            )  # fmt: skip
            main, also = _main_episode(group, sizes)
            found.append(AttributedAlarms(main, also, group.named, others))
        return found


def _main_episode(group: _Group, sizes: ShiftSizes) -> tuple[Episode, tuple[Episode, ...]]:
    """The rise of a group's subject as an episode, and the episodes of other charts."""
    shift, named = group.shift, group.named
    same = [episode for episode in group.episodes if episode.subject == (
        shift.subject_type, shift.subject_id) and episode.measure == shift.measure]  # fmt: skip
    also = tuple(episode for episode in group.episodes if episode not in same)
    pattern = min(same or group.episodes, key=lambda episode: episode.first)
    onset, earliest, latest = pattern.onset, pattern.earliest, pattern.latest
    if named is not None:
        onset, earliest, latest = (
            pd.Timestamp(day) for day in (shift.first, named.earliest, named.latest)
        )
    first = max(min(episode.first for episode in group.episodes), onset)
    size = sizes.size(shift)
    main = Episode(
        shift.measure,
        shift.subject_type,
        shift.subject_id,
        "up",
        onset=onset,
        earliest=earliest,
        latest=latest,
        first=first,
        last=max(pd.Timestamp(shift.last), first),
        alarms=sum(episode.alarms for episode in same),
        days_to_alarm=sizes.workdays(shift, first),
        before=size.before,
        after=size.after,
        splices=size.splices,
    )
    return main, also


def _top(named: Sequence[NamedShift]) -> float:
    return max((shift.log_odds for shift in named), default=-np.inf)


def _day(at: pd.Timestamp) -> np.datetime64:
    return np.datetime64(at.date())


def _splicer_of(shift: SubjectShift) -> str:
    """Splicer that a stream or splicer belongs to; another subject's type and name."""
    if shift.subject_type in ("stream", "splicer"):
        return shift.subject_id.split(" / ")[0]
    return f"{shift.subject_type} {shift.subject_id}"


def _is_part(subject: tuple[str, str], whole: tuple[str, str]) -> bool:
    """Whether a subject is a stream of a splicer."""
    return (
        subject[0] == "stream" and whole[0] == "splicer" and subject[1].split(" / ")[0] == whole[1]
    )


def _near(shift: SubjectShift, episode: Episode) -> bool:
    """Whether both started about the same time, or one lasted when the other started."""
    start, stop = pd.Timestamp(shift.first), pd.Timestamp(shift.last)
    if abs(start - episode.onset) <= NEAR:
        return True
    return start <= episode.last and episode.onset <= stop + NEAR


def _extended(shift: SubjectShift, episode: Episode) -> SubjectShift:
    """A rise that lasts as long as an episode that began within its time."""
    return replace(shift, last=max(shift.last, _day(episode.last)))


def _between(model: MeasureModel, first: np.datetime64, last: np.datetime64) -> Bools:
    return np.asarray((model.day >= first) & (model.day <= last))
