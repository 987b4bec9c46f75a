"""``arcdrift prep``: whose hands, whose machine, and what stands out."""

from typing import TYPE_CHECKING, Any

from arcdrift.cli.crew_folder import open_crew, require_analysis
from arcdrift.cli.options import HERE, AsJson, CrewFolder
from arcdrift.cli.output import emit, print_json, print_table, records_of, tell, tell_list

if TYPE_CHECKING:
    import pandas as pd

VERDICTS = {"ready": "ready", "not yet": "not yet", "trainer decides": "the trainer decides"}


def prep(crew: CrewFolder = HERE, as_json: AsJson = False) -> None:
    """Show whose hands splice with more or less loss, apart from the splicers they were given.

    Figures are those of the last analysis. With --json: one object with people and machines,
    evenness, shares, signatures, runs of bad cleaves, sign-offs, blades, who shared splicers with
    whom, proposed swaps and the coaching log.
    """
    with open_crew(crew) as here:
        from arcdrift.analysis.people.technician_report import (
            TABLES,
            stored_document,
            technician_report,
        )
        from arcdrift.people import People
        from arcdrift.store import coaching, read

        require_analysis(here)
        told = technician_report(
            {name: read.result(here.engine, f"result_{name}") for name in TABLES},
            stored_document(read.result(here.engine, "result_prep")),
            read.result(here.engine, "result_person_days"),
            coaching.notes(here.engine),
            here.crew,
            People(here.crew),
        )
        if as_json:
            print_json(told | {name: records_of(told[name]) for name in TABLES})
            return
        tell(told["purpose"])
        if told["hidden"]:
            tell(told["hidden"])
        if told.get("refusal"):
            tell(told["refusal"])
        _connection(told)
        for who in ("technician", "splicer", "cleaver"):
            rows = told["people"]
            rows = rows[(rows["who"] == who) & (rows["measure"] == "loss")]
            if len(rows):
                emit("")
                _print(who.capitalize(), rows)
        _standing_out(told)
        _practice(told["sign_offs"])
        _blades(told["blades"])


def _connection(told: dict[str, Any]) -> None:
    for sentence in told.get("not_told_apart", []):
        tell(sentence)
    if told.get("sets", 1) > 1:
        tell(
            f"People and splicers fall into {told['sets']} sets that no shared work connects; "
            "figures compare within a set only. What would tell them apart, at least:"
        )
        tell_list([swap["reason"] for swap in told["swaps"]])


def _print(who: str, table: "pd.DataFrame") -> None:
    print_table(
        [who, "Days", "Splices", "Set", "Loss against the crew", "95 %"],
        [
            [
                row["name"],
                row["days"],
                f"{row['splices']:,}",
                row["set"] + 1,
                row["note"] or f"{row['effect']:+z.0%}",
                "" if row["note"] else f"{row['low']:+z.0%} to {row['high']:+z.0%}",
            ]
            for row in records_of(table)
        ],
        numbers={1, 2, 3, 4, 5},
    )


def _standing_out(told: dict[str, Any]) -> None:
    rows = told["people"]
    out = rows[rows["stands_out"].astype(bool) & (rows["measure"] == "loss")]
    lines = [
        f"{row['name']}: {row['effect']:+z.0%} loss against the crew ({row['low']:+z.0%} to "
        f"{row['high']:+z.0%}, {row['splices']:,} splices)."
        for row in records_of(out)
    ]
    lines += [f"{row['subject']}: {row['words']}" for row in records_of(told["signatures"])]
    emit("")
    if not lines:
        tell("Nobody and nothing stands out from the crew.")
        return
    tell("What stands out, as hints to look at together:")
    tell_list(lines)


def _practice(attempts: "pd.DataFrame") -> None:
    if attempts.empty:
        return
    emit("")
    print_table(
        ["Practice", "Attempt", "Splices", "Answer"],
        [
            [
                row["technician"],
                row["attempt"],
                row["splices"],
                VERDICTS.get(row["verdict"], f"keep practicing, about {row['more']} more"),
            ]
            for row in records_of(attempts)
        ],
        numbers={1, 2},
    )


def _blades(blades: "pd.DataFrame") -> None:
    if blades.empty:
        return
    emit("")
    print_table(
        ["Cleaver", "Used with", "Blade position", "Cleaves on it", "Next turn"],
        [
            [
                row["cleaver"],
                row["splicers"],
                row["position"] or "not logged",
                "no turn on record" if row["cleaves"] is None else f"{row['cleaves']:,.0f}",
                _turn(row["days_left"]),
            ]
            for row in records_of(blades)
        ],
        numbers={3},
    )


def _turn(days: float | None) -> str:
    if days is None:
        return ""
    return "due now" if days <= 0 else f"in about {days:.0f} workdays"
