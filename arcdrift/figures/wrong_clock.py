"""Why a splicer's clock is taken to be wrong: logged times against its count of splices or arcs."""

from datetime import timedelta
from zoneinfo import ZoneInfo

import pandas as pd

from arcdrift.analysis.clock.clock_evidence import ClockEvidence, evidence_text
from arcdrift.figures.picture import Picture
from arcdrift.figures.plain_figure import BEHIND, Plain, dots, line, note, plain_figure
from arcdrift.figures.theme import Scheme, colors
from arcdrift.wording import clock_shift_text, count_text

COUNT_TITLES = {"splice_number": "Splice number", "arc_count": "Arc count"}
HEIGHT = 300
MARGIN = 0.28
"""Room for labels at both ends of the time axis, as a share of what is shown."""
WIDE_SHIFT = 0.4
"""A shift over more than this share of the time axis leaves no room for labels outside it."""
FEW_DAYS = pd.Timedelta(days=5)
"""So much time or less is marked in hours."""


def wrong_clock(
    evidence: ClockEvidence,
    zone: ZoneInfo,
    shift: timedelta | None,
    now: pd.Timestamp,
    *,
    scheme: Scheme = "light",
) -> Picture:
    """Draw the splices around the end of a stretch, as logged and with the suggested shift.

    Parameters
    ----------
    zone : ZoneInfo
        In which logged times are shown.
    shift : timedelta or None
        What would be added to the logged times; None where it is not known.
    now : Timestamp
        UTC; drawn where logged times lie in the future.
    """
    c = colors(scheme)
    table = pd.DataFrame(
        {
            "count": evidence.rows["count"],
            "logged": _local(evidence.rows["logged"], zone),
            "kept_apart": evidence.rows["wrong"],
        }
    )
    moved = pd.Series(pd.NaT, index=table.index, dtype="datetime64[us]")
    if shift is not None:
        moved = _local(evidence.rows["logged"] + shift, zone).where(table["kept_apart"])
    table["with_shift"] = moved
    wrong, right = table[table["kept_apart"]], table[~table["kept_apart"]]
    title = COUNT_TITLES[evidence.counter]
    figure = plain_figure(scheme, y_title=title, height=HEIGHT)
    layout, data = figure["layout"], figure["data"]
    hover = f"{title} %{{y:,.0f}}<br>%{{x|%-d %b %Y, %H:%M}}"
    data.append(line(table["logged"], table["count"], c.muted, width=1.0, hoverinfo="skip"))
    data.append(dots(right["logged"], right["count"], c.main, size=6,
                     hovertemplate=f"{hover}<extra></extra>"))  # fmt: skip
    data.append(dots(wrong["logged"], wrong["count"], c.rise, size=7, symbol="diamond",
                     hovertemplate=f"{hover} as logged, kept apart<extra></extra>"))  # fmt: skip
    shown = [table["logged"]]
    if shift is not None:
        text = clock_shift_text(shift)
        data.append(dots(wrong["with_shift"], wrong["count"], c.expected, size=7,
                         symbol="circle-open",
                         hovertemplate=f"{hover}, {text}<extra></extra>"))  # fmt: skip
        shown.append(wrong["with_shift"])
    times = pd.concat(shown)
    here = _local(pd.Series([now]), zone).iloc[0]
    if evidence.proof == "future":
        times = pd.concat([times, pd.Series([here])])
        layout["shapes"].append(
            {"type": "line", "x0": here.isoformat(), "x1": here.isoformat(), "yref": "paper",
             "y0": 0, "y1": 1, "line": {"color": c.limit, "width": 1.5, "dash": "dash"}}
        )  # fmt: skip
        layout["annotations"].append(
            note(here.isoformat(), 1, "now", c.limit, yref="paper", yanchor="top",
                 xanchor="left", xshift=3, bgcolor=BEHIND[scheme])
        )  # fmt: skip
    low, high = times.min(), times.max()
    room = max((high - low) * MARGIN, pd.Timedelta(hours=1))
    layout["xaxis"] |= {
        "range": [(low - room).isoformat(), (high + room).isoformat()],
        "title": {"text": "Logged time, local"},
        "nticks": 5,
    }
    if high - low <= FEW_DAYS:
        layout["xaxis"]["tickformat"] = "%H:%M\n%-d %b"
    layout["yaxis"] |= {"tickformat": ",d", "nticks": 6}
    layout["shapes"].append(
        {"type": "rect", "xref": "paper", "x0": 0, "x1": 1, "y0": float(wrong["count"].min()) - 0.5,
         "y1": float(wrong["count"].max()) + 0.5, "fillcolor": c.onset, "line": {"width": 0},
         "layer": "below"}
    )  # fmt: skip
    layout["annotations"] += _labels(right, wrong, shift, (low, high), scheme)
    return Picture(figure, _in_words(evidence, wrong, zone, shift), table)


def _labels(
    right: pd.DataFrame,
    wrong: pd.DataFrame,
    shift: timedelta | None,
    ends: tuple[pd.Timestamp, pd.Timestamp],
    scheme: Scheme,
) -> list[Plain]:
    """Name the marks where they stand, on the side where there is room.

    Parameters
    ----------
    ends : tuple of Timestamp
        Earliest and latest time that is drawn.
    """
    c = colors(scheme)
    back = {"bgcolor": BEHIND[scheme]}
    to_left = back | {"xanchor": "right", "xshift": -8}
    to_right = back | {"xanchor": "left", "xshift": 8}
    moves_left = shift is not None and shift < timedelta(0)
    outside, inside = (to_right, to_left) if moves_left else (to_left, to_right)
    moved = inside
    # where both stand at the edges, there is room between them only, above and below the stretch
    at = moved_at = wrong.iloc[len(wrong) // 2]
    if shift is not None and abs(shift) > WIDE_SHIFT * (ends[1] - ends[0]):
        at, moved_at = wrong.iloc[-1], wrong.iloc[0]
        moved = outside | {"yanchor": "top"}
        outside = inside | {"yanchor": "bottom"}
    found = [note(at["logged"].isoformat(), float(at["count"]), "as logged", c.rise, **outside)]
    if shift:
        text = clock_shift_text(shift)
        place = moved_at["with_shift"].isoformat()
        found.append(note(place, float(moved_at["count"]), text, c.expected, **moved))
    if len(right):
        first = right.iloc[-1 if right["count"].iloc[-1] > wrong["count"].iloc[-1] else 0]
        middle = ends[0] + (ends[1] - ends[0]) / 2
        side = to_right if first["logged"] < middle else to_left
        found.append(
            note(first["logged"].isoformat(), float(first["count"]), "clock right", c.main, **side)
        )
    return found


def _in_words(
    evidence: ClockEvidence, wrong: pd.DataFrame, zone: ZoneInfo, shift: timedelta | None
) -> str:
    moved = f"; open circles: the same, {clock_shift_text(shift)}" if shift else ""
    return (
        f"{evidence_text(evidence, zone)} Diamonds: {count_text(len(wrong), 'splice')} kept apart"
        f"{moved}."
    )


def _local(instants: pd.Series, zone: ZoneInfo) -> pd.Series:
    local: pd.Series = instants.dt.tz_convert(zone).dt.tz_localize(None)
    return local.astype("datetime64[us]")
