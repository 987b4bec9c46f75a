"""``arcdrift prep``: whose hands, whose machine, and what stands out."""

from typing import TYPE_CHECKING

from arcdrift.cli.crew_folder import open_crew
from arcdrift.cli.options import HERE, AsJson, CrewFolder
from arcdrift.cli.output import emit, print_json, print_table, records_of, tell

if TYPE_CHECKING:
    import pandas as pd

PURPOSE = (
    "These figures are for coaching. Each is shrunken toward the crew's average and has a 95 % "
    "interval; one that spans 0 % says nothing about the person. In order of name, not of rank."
)


def prep(crew: CrewFolder = HERE, as_json: AsJson = False) -> None:
    """Show whose hands splice with more or less loss, apart from the splicers they were given."""
    with open_crew(crew) as here:
        from arcdrift.analysis.review import prep_now

        told = prep_now(here.engine, here.crew)
        if isinstance(told, str):
            if as_json:
                print_json({"reason": told, "technicians": [], "splicers": []})
            else:
                tell(told)
            return
        if as_json:
            rows = told.effects
            print_json(
                {
                    "technicians": records_of(rows[rows["who"] == "technician"]),
                    "splicers": records_of(rows[rows["who"] == "splicer"]),
                    "sets": told.sets,
                    "level": told.level,
                }
            )
            return
        tell(PURPOSE)
        if told.sets > 1:
            tell(
                f"Technicians and splicers fall into {told.sets} sets that no shared work "
                "connects; figures compare within a set only."
            )
        for who in told.told_apart:
            emit("")
            _print(who.capitalize(), told.of(who, "loss"))


def _print(who: str, table: "pd.DataFrame") -> None:
    print_table(
        [who, "Days", "Splices", "Set", "Loss against the crew", "95 %"],
        [
            [
                row["name"],
                int(row["days"]),
                f"{row['splices']:,.0f}",
                int(row["set"]) + 1,
                row["note"] or f"{row['effect']:+.0%}",
                "" if row["note"] else f"{row['low']:+.0%} to {row['high']:+.0%}",
            ]
            for row in table.to_dict("records")
        ],
        numbers={1, 2, 3, 4, 5},
    )
