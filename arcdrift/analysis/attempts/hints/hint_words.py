"""What errors point to, in sentences: the same on pages, in reports and in commands."""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd

from arcdrift.analysis.attempts.attempt_cells import NO_REASON
from arcdrift.analysis.attempts.hints.comparisons import NOT_SEPARABLE, SITE_DAY
from arcdrift.analysis.attempts.made_again import OVER_LIMIT, WITHIN_LIMIT
from arcdrift.error_reasons import CLASSES
from arcdrift.instants import day_text
from arcdrift.wording import count_text, interval_text, number_text, percent_text

ERRORS_OF = {
    "position": "Fiber-position errors",
    "cleave": "Cleave errors",
    "dirt": "Fiber not seen or dirty",
    "alignment": "Alignment errors",
    "arc": "Arc errors",
}
"""The errors of each kind of hint."""
CAUSES = {
    **CLASSES,
    OVER_LIMIT: "loss over the limit",
    WITHIN_LIMIT: "finished within the limit, made again",
    NO_REASON: "no reason logged",
}
"""Words of classes of reasons, and of the other causes of attempts made again."""
LOOK_AT = {
    ("position", "splicer"): "Clean its v-grooves and fiber clamps; if that does not help, its "
    "clamps or the motors that move the fiber are worn.",
    ("position", "technician"): "Watch cleave length and how the fiber is laid in: measure ten "
    "cleaves together against the length the splicer asks for.",
    ("cleave", "blade"): "It may be chipped or worn there: move on to the next position.",
    ("cleave", "cleaver"): "Clean its clamps and check the height of its blade.",
    ("cleave", "technician"): "Cleave ten fibers together: how the fiber lies in the cleaver, and "
    "how evenly it is drawn.",
    (
        "dirt",
        "site",
    ): "Look at where fiber is stripped and cleaned there: wipes, wind and dust.",
    ("dirt", SITE_DAY): "Something there made fiber dirty that day: dust, wind or damp.",
    ("alignment", "splicer"): "Clean its v-grooves, lenses and mirrors.",
    ("arc", "splicer"): "Look at its electrodes: seated, clean, not worn out.",
}
"""What to look at first, by kind of hint and of subject (common practice, no source)."""
SHARDS = "Glass shards: wear eye protection, and put each one into the shard box."
AT_THE_ARC = (
    "Electrodes carry high voltage: switch the splicer off and unplug it before touching anything "
    "near them. Let solvent dry before the next arc. The maker's manual comes first."
)
CAUTIONS = {
    "position": (AT_THE_ARC, SHARDS), "cleave": (SHARDS,), "dirt": (SHARDS,),
    "alignment": (AT_THE_ARC, SHARDS), "arc": (AT_THE_ARC,),
}  # fmt: skip
"""What to mind before the hand acts on a hint, by its kind."""
NEVER_CERTAIN = "Hints, not proof: look before anything is said or replaced."


@dataclass(frozen=True)
class HintWords:
    """A hint in words.

    Attributes
    ----------
    title, figures, next_step : str
        What it points to, the numbers behind it, and what to look at.
    certain : bool
        False where two causes cannot be told apart.
    """

    title: str
    figures: str
    next_step: str
    certain: bool


def hint_words(row: Mapping[Hashable, Any]) -> HintWords:
    """Write a hint in words.

    Parameters
    ----------
    row : mapping
        A row of ``result_error_hints`` with names as they may be shown; a name of a person beside
        it that may not be shown is empty.
    """
    kind, subject_type = str(row["kind"]), str(row["subject_type"])
    apart = row["verdict"] == NOT_SEPARABLE
    title = f"{ERRORS_OF[kind]} {_where(row)}"
    errors, attempts = int(row["errors"]), int(row["attempts"])
    figures = f"{errors:,} in {count_text(attempts, 'attempt')} ({percent_text(errors / attempts)})"
    if not pd.isna(row["ratio"]):
        ratio = float(row["ratio"])
        digits = 1 if ratio < 10 else 0
        times = (
            f"{number_text(ratio, digits)} times"
            if pd.isna(row["low"])
            else interval_text(ratio, row["low"], row["high"], "times", digits)
        )
        figures += f", {times} {_compared_with(subject_type, apart=apart)}"
    if apart:
        return HintWords(title, f"{figures}.", _not_separable(row), certain=False)
    seen = int(row["evidence"])
    where = _evidence(subject_type, kind, seen)
    return HintWords(title, f"{figures}; {where}.", LOOK_AT[kind, subject_type], certain=True)


def _where(row: Mapping[Hashable, Any]) -> str:
    name, detail = str(row["subject"]), str(row["detail"])
    if row["subject_type"] == SITE_DAY:
        return f"at {name} on {day_text(date.fromisoformat(detail))}"
    return {
        "technician": f"of {name}",
        "blade": f"at position {detail} of cleaver {name}",
        "cleaver": f"with cleaver {name}",
        "site": f"at {name}",
    }.get(str(row["subject_type"]), f"on {name}")


def _compared_with(subject_type: str, *, apart: bool) -> str:
    if subject_type == SITE_DAY:
        return "what is usual for the people there"
    if apart:
        return "the share of the others"
    return {
        "technician": "what others have on the same machines",
        "site": "what the same people have elsewhere",
        "blade": "what the same people have at other positions and cleavers",
    }.get(subject_type, f"what the same people have on other {subject_type}s")


def _evidence(subject_type: str, kind: str, seen: int) -> str:
    if subject_type == "technician":
        machine = "cleaver" if kind == "cleave" else "splicer"
        return f"it shows on {count_text(seen, machine)}"
    return f"it shows in the hands of {'one person' if seen == 1 else f'{seen} people'}"


def _not_separable(row: Mapping[Hashable, Any]) -> str:
    """Say what cannot be told apart, and what would tell."""
    kind, apart = str(row["apart_type"]), str(row["apart_from"])
    if kind == "technician" and apart:
        if pd.isna(row["ratio"]) or row["subject_type"] == SITE_DAY:
            return f"Cannot be separated from the hand: only the work of {apart} shows it."
        return (
            f"Cannot be separated from the hand: {apart} makes nearly all splices there. A few "
            "days in other hands would tell."
        )
    if kind == "holding":
        return (
            f"Cannot be separated from how the fiber is held: always in the {apart}, where others "
            "hold it otherwise. A few days of the other way would tell."
        )
    if apart:
        return (
            f"Cannot be separated from {kind} {apart}, on which nearly all of it was made. A few "
            f"days on another {kind} would tell."
        )
    return "Cannot be separated yet: people and machines were not exchanged enough."


def hints_of(hints: pd.DataFrame, subject_type: str, subject: str) -> pd.DataFrame:
    """Hints that concern a subject, those that point somewhere first.

    Parameters
    ----------
    hints : DataFrame
        Rows of ``result_error_hints`` as they may be shown.
    subject_type : str
        ``splicer``, ``technician``, ``cleaver``, ``site``, ``stream`` (its splicer counts) or
        ``crew`` (everything).
    """
    if hints.empty:
        return hints
    if subject_type == "stream":
        subject_type, subject = "splicer", subject.split(" / ")[0]
    chosen = pd.Series(data=True, index=hints.index)
    if subject_type != "crew":
        types = {"cleaver": ("cleaver", "blade"), "site": ("site", SITE_DAY)}
        own = hints["subject_type"].isin(types.get(subject_type, (subject_type,)))
        chosen = own & (hints["subject"] == subject)
        beside = (hints["apart_type"] == subject_type) & (hints["apart_from"] == subject)
        chosen |= beside & (subject != "")
    found = hints[chosen]
    first = found["verdict"].eq(NOT_SEPARABLE)
    return found.assign(order=first).sort_values(
        ["order", "kind", "subject", "detail"], ignore_index=True
    ).drop(columns="order")  # fmt: skip
