"""``arcdrift prep``: compares technicians apart from the machines they used."""

from typing import TYPE_CHECKING, Any

from arcdrift.cli.crew_folder import open_crew, require_analysis
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import (
    frame_records,
    print_json,
    print_lines,
    print_list,
    print_renderable,
    print_table,
)

if TYPE_CHECKING:
    import pandas as pd

    from arcdrift.settings import Blade

VERDICT_TEXTS = {"ready": "ready", "not yet": "not yet", "trainer decides": "the trainer decides"}


def prep(folder: CrewFolder = CURRENT_FOLDER, as_json: AsJson = False) -> None:
    """Show which technicians splice with more or less loss, apart from the machines they used.

    Figures are those of the last analysis. With --json: one object with people and machines,
    evenness, shares, signatures, runs of bad cleaves, sign-offs, blades, who shared splicers with
    whom, proposed swaps and the coaching log; what errors point to, their shares by reason, clamp
    against holder, and what splices made again took.
    """
    with open_crew(folder) as session:
        from arcdrift.analysis.people.technician_report import (
            TABLES,
            stored_document,
            technician_report,
        )
        from arcdrift.people import People
        from arcdrift.store.annotations import coaching
        from arcdrift.store.results.result_rows import read_result

        require_analysis(session)
        report = technician_report(
            {name: read_result(session.engine, f"result_{name}") for name in TABLES},
            stored_document(read_result(session.engine, "result_prep")),
            read_result(session.engine, "result_person_days"),
            coaching.notes(session.engine),
            session.crew,
            People(session.crew),
        )
        if as_json:
            print_json(report | {name: frame_records(report[name]) for name in TABLES})
            return
        print_lines(report["purpose"])
        if report["hidden"]:
            print_lines(report["hidden"])
        if report.get("refusal"):
            print_lines(report["refusal"])
        _print_comparability(report)
        for group in ("technician", "splicer", "cleaver"):
            rows = report["people"]
            rows = rows[(rows["who"] == group) & (rows["measure"] == "loss")]
            if len(rows):
                print_renderable("")
                _print_effects(group.capitalize(), rows)
        _print_standing_out(report)
        _print_errors(report["error_hints"])
        _print_practice(report["sign_offs"])
        _print_blades(report["blades"], session.crew.blade)


def _print_comparability(report: dict[str, Any]) -> None:
    for sentence in report.get("not_told_apart", []):
        print_lines(sentence)
    if report.get("sets", 1) > 1:
        print_lines(
            f"People and splicers fall into {report['sets']} sets that no shared work connects; "
            "figures compare within a set only. What would tell them apart, at least:"
        )
        print_list([swap["reason"] for swap in report["swaps"]])


def _print_effects(head: str, table: "pd.DataFrame") -> None:
    print_table(
        [head, "Days", "Splices", "Set", "Loss against the median", "95 %"],
        [
            [
                row["name"],
                row["days"],
                f"{row['splices']:,}",
                row["set"] + 1,
                row["note"] or f"{row['effect']:+z.0%}",
                "" if row["note"] else f"{row['low']:+z.0%} to {row['high']:+z.0%}",
            ]
            for row in frame_records(table)
        ],
        numeric_columns={1, 2, 3, 4, 5},
    )


def _print_standing_out(report: dict[str, Any]) -> None:
    rows = report["people"]
    standing_out = rows[rows["stands_out"].astype(bool) & (rows["measure"] == "loss")]
    lines = [
        f"{row['name']}: {row['effect']:+z.0%} loss against the median ({row['low']:+z.0%} to "
        f"{row['high']:+z.0%}, {row['splices']:,} splices)."
        for row in frame_records(standing_out)
    ]
    lines += [f"{row['subject']}: {row['words']}" for row in frame_records(report["signatures"])]
    print_renderable("")
    if not lines:
        from arcdrift.analysis.people.technician_report import nothing_stands_out

        print_lines(nothing_stands_out(report, rows)[0])
        return
    print_lines("What stands out, as hints to look at together:")
    print_list(lines)


def _print_errors(hints: "pd.DataFrame") -> None:
    if hints.empty:
        return
    from arcdrift.analysis.attempts.hints.hint_words import NEVER_CERTAIN, hint_words

    found = [hint_words(row) for row in hints.to_dict("records")]
    print_renderable("")
    print_lines(f"What errors point to. {NEVER_CERTAIN}")
    print_list([f"{words.title}: {words.figures} {words.next_step}" for words in found])


def _print_practice(attempts: "pd.DataFrame") -> None:
    if attempts.empty:
        return
    print_renderable("")
    print_table(
        ["Practice", "Attempt", "Splices", "Answer"],
        [
            [
                row["technician"],
                row["attempt"],
                row["splices"],
                VERDICT_TEXTS.get(row["verdict"], f"keep practicing, about {row['more']} more"),
            ]
            for row in frame_records(attempts)
        ],
        numeric_columns={1, 2},
    )


def _print_blades(blades: "pd.DataFrame", blade: "Blade") -> None:
    from arcdrift.analysis.maintenance.blade_left import (
        cleaves_left_text,
        due_text,
        is_last_position,
        position_text,
    )

    if blades.empty:
        return
    print_renderable("")
    print_table(
        ["Cleaver", "Used with", "Blade position", "Left on it", "Next"],
        [
            [
                row["cleaver"],
                row["splicers"],
                position_text(row["position"], blade) if row["position"] else "not logged",
                "no turn on record"
                if row["cleaves"] is None
                else cleaves_left_text(row["cleaves"], blade),
                due_text(
                    row["days_left"],
                    last=is_last_position(row["position"], row["positions_used"], blade),
                ),
            ]
            for row in frame_records(blades)
        ],
    )
