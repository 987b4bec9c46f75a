"""Usual loss of each stream, and its change while a finding says that the loss has changed.

The expectation of a chart follows a rise that stays, so that a rise of 56 % looks like one of 23 %
a few weeks later. What a person asks is how much more is lost than before it began: pages,
commands, the finding, its case and the digest all tell the change against the level before its
onset, as measured up to its last evidence. Of a change of a whole splicer, program, site or crew
there is one figure too: that of its finding.
"""

from collections.abc import Iterable

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.shift_sizes import BEFORE_SPAN, FEWEST_SPLICES
from arcdrift.analysis.common.days import day_begun_at
from arcdrift.analysis.common.episodes import FADING
from arcdrift.analysis.common.grouping import group_index, group_rows
from arcdrift.finding import Finding

CHANGED = ("loss-raised", "loss-lowered")
RECENT_DAYS = 10
"""Days of a stream that count as recent: a change with an alarm in them is open, unless the stream
is used so seldom that it is older than `arcdrift.analysis.common.episodes.FADING`."""
KEYS = ["splicer", "program"]
COLUMNS = [*KEYS, "change_since", "usual_db", "since_db", "change", "change_finding"]


def stream_changes(days: pd.DataFrame, findings: Iterable[Finding]) -> pd.DataFrame:
    """Open change of the loss of each stream, by its own finding or else by a wider one.

    Parameters
    ----------
    days : DataFrame
        Charted days of streams: ``splicer``, ``program``, ``day`` (naive), ``site``, ``n``,
        ``total`` (dB), and ``excluded`` where days are excluded.
    findings : iterable of Finding

    Returns
    -------
    DataFrame
        `COLUMNS`, no row for a stream without an open change: ``change_since`` (ISO day),
        ``usual_db`` and ``since_db`` (mean loss of a splice before the onset, and since until the
        last evidence), ``change`` (share of the usual loss, as the finding has it) and
        ``change_finding`` (id).

    Notes
    -----
    A stream's own finding gives both means. Of a finding about its splicer, its program, its site
    or the whole crew, the means are those of the stream's days in the `BEFORE_SPAN` before the
    onset, and from the onset to the last evidence.
    """
    rows, changes = [], [finding for finding in findings if finding.kind in CHANGED]
    if not changes or days.empty:
        return pd.DataFrame(columns=COLUMNS)
    if "excluded" in days.columns:
        days = days[~days["excluded"].astype(bool)]
    ends = {finding.id: day_begun_at(pd.Timestamp(finding.until)) for finding in changes}
    days = days.sort_values("day", kind="stable")
    code, first = group_index(*(days[name] for name in KEYS))
    day, sites = days["day"].to_numpy(dtype="datetime64[us]"), days["site"].array
    names = days[KEYS].iloc[first].itertuples(index=False, name=None)
    for (splicer, program), stream in zip(names, group_rows(code, len(first)), strict=True):
        site, latest = sites[stream[-1]], pd.Timestamp(day[stream[-1]])
        recent = max(pd.Timestamp(day[stream[-RECENT_DAYS:][0]]), latest - FADING)
        about = [
            (finding.subject_type == "stream", finding.until, finding)
            for finding in changes
            if ends[finding.id] >= recent
            and _holds_stream(finding, str(splicer), str(program), str(site))
        ]
        if not about:
            continue
        _, _, finding = max(about, key=lambda entry: entry[:2])
        means = _means(finding, days.iloc[stream])
        if means is not None:
            onset = f"{_onset_day(finding):%Y-%m-%d}"
            rows.append((splicer, program, onset, *means, finding.id))
    return pd.DataFrame(rows, columns=COLUMNS)


def with_usual_loss(
    streams: pd.DataFrame, days: pd.DataFrame, findings: Iterable[Finding]
) -> pd.DataFrame:
    """Streams with their open change, and with the usual loss before its onset.

    Parameters
    ----------
    streams : DataFrame
        Rows of ``result_streams``; ``baseline_db`` is replaced where a change is open.
    days, findings
        As for `stream_changes`.
    """
    if streams.empty:
        return streams
    changed = streams.merge(stream_changes(days, findings), on=KEYS, how="left")
    usual = changed.pop("usual_db").astype(float)
    return changed.assign(
        baseline_db=usual.fillna(changed["baseline_db"].astype(float)),
        since_db=changed["since_db"].astype(float),
        change=changed["change"].astype(float),
    )


def _holds_stream(finding: Finding, splicer: str, program: str, site: str) -> bool:
    subject = (finding.subject_type, finding.subject_id)
    return finding.subject_type == "crew" or subject in {
        ("stream", f"{splicer} / {program}"),
        ("splicer", splicer),
        ("program", program),
        ("site", site),
    }


def _onset_day(finding: Finding) -> pd.Timestamp:
    since = finding.since if finding.onset is None else finding.onset.estimate
    return day_begun_at(pd.Timestamp(since))


def _means(finding: Finding, stream: pd.DataFrame) -> tuple[float, float, float] | None:
    """Mean loss before the onset and since, dB, and the change as a share of the former.

    None where too few splices tell it.
    """
    evidence = finding.evidence
    if finding.subject_type == "stream" and "loss_before_db" in evidence:
        before_db, since_db = float(evidence["loss_before_db"]), float(evidence["loss_since_db"])
        return before_db, since_db, float(evidence["ratio"]) - 1.0
    onset, day = _onset_day(finding), stream["day"]
    before = (day < onset) & (day >= onset - BEFORE_SPAN)
    since = (day >= onset) & (day <= day_begun_at(pd.Timestamp(finding.until)))
    total, n = (stream[name].to_numpy(dtype=np.float64) for name in ("total", "n"))
    if n[before].sum() < FEWEST_SPLICES or n[since].sum() == 0 or total[before].sum() <= 0:
        return None
    before_db = float(total[before].sum() / n[before].sum())
    since_db = float(total[since].sum() / n[since].sum())
    return before_db, since_db, float(evidence["ratio"]) - 1.0
