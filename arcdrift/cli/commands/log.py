"""``arcdrift log``: writes down a check, a service event or a remark by hand."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from arcdrift.cli.crew_folder import CrewSession, command_text, open_crew, subcommand_folder
from arcdrift.cli.known_names import require_known
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import (
    print_json,
    print_lines,
    print_nothing,
    print_table,
    print_waiting,
    printable,
)
from arcdrift.cli.time_arguments import local_time, zone_of_splicer
from arcdrift.errors import ArcdriftError, UsageError
from arcdrift.verdicts import VERDICTS, VerdictCode

if TYPE_CHECKING:
    from collections.abc import Mapping

    from arcdrift.intake.storing.written_records import WrittenKind, WrittenReport

app = typer.Typer()
By = Annotated[str, typer.Option("--by", metavar="NAME", help="Who writes it down.")]
At = Annotated[
    str | None,
    typer.Option(
        "--at",
        metavar="TIME",
        help="When it was, local time of the splicer's site: 07:30 today, or 2026-05-04T07:30.",
        show_default="now",
    ),
]
Remark = Annotated[str, typer.Option("--remark", metavar="TEXT", help="Anything to remember.")]
SplicerName = Annotated[str, typer.Argument(metavar="SPLICER", help="Name of the splicer.")]


@app.callback(invoke_without_command=True)
def log(
    context: typer.Context, folder: CrewFolder = CURRENT_FOLDER, as_json: AsJson = False
) -> None:
    """Write down a check, a service event or a remark, as a record beside the imported ones.

    Without a subcommand, list what was written down. Undo an entry with `imports undo ID`.
    """
    if context.invoked_subcommand is not None:
        context.obj = folder
        return
    from arcdrift.intake.storing.written_sentences import event_text
    from arcdrift.store.records.written_entries import written_entries

    with open_crew(folder) as session:
        entries = written_entries(session.engine)
        if as_json:
            print_json([vars(entry) for entry in entries])
            return
        if not entries:
            print_nothing("Nothing was written down by hand yet.", as_json=False)
            return
        print_table(
            ["Entry", "When", "What", "By", "State"],
            [
                (
                    entry.import_id,
                    local_time(entry.happened_at, _zone(session, entry.subject)),
                    printable(
                        event_text(
                            entry.kind, entry.subject, entry.values, _unit(session, entry.subject)
                        )
                    ),
                    printable(entry.written_by),
                    "differs from a log"
                    if entry.differs
                    else "in a log as well"
                    if entry.in_log
                    else "by hand",
                )
                for entry in entries
            ],
            numeric_columns=(0,),
        )


@app.command()
def check(
    context: typer.Context,
    splicer: SplicerName,
    by: By,
    outcome: Annotated[
        Literal["pass", "fail", "aborted"],
        typer.Option("--outcome", help="How the arc check ended."),
    ] = "pass",
    setting: Annotated[
        str,
        typer.Option(
            "--setting", metavar="NUMBER", help="Arc setting stored, in the splicer's own unit."
        ),
    ] = "",
    arc_count: Annotated[
        str, typer.Option("--arc-count", metavar="N", help="Arc count the splicer shows.")
    ] = "",
    at: At = None,
    remark: Remark = "",
    folder: CrewFolder = CURRENT_FOLDER,
    as_json: AsJson = False,
) -> None:
    """Write down a daily arc check, of a splicer that exports no log or has not yet."""
    with open_crew(subcommand_folder(context, folder)) as session:
        name = _known_splicer(session, splicer)
        cells = {
            "splicer": name,
            "outcome": outcome,
            "arc_setting": setting,
            "arc_count": arc_count,
            "technician": by,
            "remark": remark,
        }
        _write(session, "arc-checks", cells, at=at, by=by, as_json=as_json)


@app.command()
def service(
    context: typer.Context,
    asset: Annotated[str, typer.Argument(metavar="ASSET", help="Name of the splicer or cleaver.")],
    action: Annotated[
        str,
        typer.Argument(
            metavar="ACTION",
            help="What was done: electrodes replaced, v-grooves cleaned, cleaned, blade rotated, "
            "blade replaced, firmware updated, factory service or other.",
        ),
    ],
    by: By,
    at: At = None,
    remark: Remark = "",
    new: Annotated[
        bool, typer.Option("--new", help="The cleaver has no record so far; its name is right.")
    ] = False,
    folder: CrewFolder = CURRENT_FOLDER,
    as_json: AsJson = False,
) -> None:
    """Write down a service event of a splicer or cleaver."""
    with open_crew(subcommand_folder(context, folder)) as session:
        from arcdrift.intake.schema.kinds import ACTIONS
        from arcdrift.intake.storing.written_sentences import caution_for
        from arcdrift.store.records.written_entries import assets

        spoken = action.strip().lower().replace("_", " ")
        hyphens = {name.replace("-", " "): name for name in ACTIONS}
        done = require_known(hyphens.get(spoken.replace("-", " "), spoken), ACTIONS, "action")
        splicers, cleavers = assets(session.engine, session.crew)
        if not new:
            require_known(asset, {*splicers, *cleavers}, "splicer or cleaver")
        if done.startswith("blade") and asset in splicers:
            raise UsageError(
                f"{asset} is a splicer, and a blade belongs to a cleaver; name the cleaver "
                f"({', '.join(cleavers) or 'none is on record yet'})."
            )
        cells = {"asset": asset, "action": done, "remark": remark}
        _write(session, "service", cells, at=at, by=by, as_json=as_json, caution=caution_for(done))


@app.command()
def remark(
    context: typer.Context,
    splicer: SplicerName,
    text: Annotated[str, typer.Argument(metavar="TEXT", help="The remark, in quotes.")],
    by: By,
    at: At = None,
    folder: CrewFolder = CURRENT_FOLDER,
    as_json: AsJson = False,
) -> None:
    """Write a remark about a splicer; it is shown on its page and changes no figure."""
    with open_crew(subcommand_folder(context, folder)) as session:
        name = _known_splicer(session, splicer)
        _write(session, "remarks", {"asset": name, "remark": text}, at=at, by=by, as_json=as_json)


def _known_splicer(session: CrewSession, name: str) -> str:
    from arcdrift.store.records.record_overview import read_splicers

    known = {*read_splicers(session.engine), *session.crew.splicers}
    return require_known(name, known, "splicer")


def _write(
    session: CrewSession,
    kind: "WrittenKind",
    cells: "Mapping[str, str]",
    *,
    at: str | None,
    by: str,
    as_json: bool,
    caution: str = "",
) -> None:
    """Store what was written down, and print what became of it."""
    from zoneinfo import ZoneInfo

    from arcdrift.intake.schema.kinds import KINDS, SERVICE
    from arcdrift.intake.storing.written_records import time_cell, write_down
    from arcdrift.intake.storing.written_sentences import report_text
    from arcdrift.store.records.record_overview import assessment_time

    about = KINDS.get(kind, SERVICE)
    subject = cells[about.owner_column]
    zone_name = zone_of_splicer(session.crew, subject)
    zone = None if zone_name is None else ZoneInfo(zone_name)
    now = assessment_time(session.engine, session.crew).to_pydatetime()
    report = write_down(
        session.engine,
        session.crew,
        kind,
        {**cells, about.time_column: time_cell(at or "", now, zone)},
        by=by,
        now=max(now, datetime.now(UTC)),
        waiting=print_waiting,
    )
    verdict = _verdict(session, subject) if kind == "arc-checks" else None
    sentence = report_text(report, zone)
    if as_json:
        print_json(report_json(report, sentence, verdict))
        return
    print_lines(printable(sentence))
    if verdict is not None:
        words = VERDICTS[verdict].words
        print_lines(f"Verdict on {printable(subject)}: {words[0].lower()}{words[1:]}.")
    if not report.repeated:
        undo = command_text(f"imports undo {report.import_id}", session.folder)
        print_lines(f"Undo with {undo}.")
    if caution:
        print_lines(caution)


def report_json(
    report: "WrittenReport", sentence: str, verdict: str | None = None
) -> dict[str, Any]:
    """Return what ``log ... --json`` prints."""
    return {
        "import_id": report.import_id,
        "kind": report.kind,
        "subject": report.subject,
        "at": report.happened_at,
        "outcome": report.outcome,
        "repeated": report.repeated,
        "log": report.log or None,
        "logged_at": report.logged_at,
        "differs": {
            name: {"stored": stored, "written": typed}
            for name, (stored, typed) in (report.differs or {}).items()
        },
        "verdict": verdict,
        "sentence": sentence,
    }


def _verdict(session: CrewSession, splicer: str) -> VerdictCode | None:
    """Return the verdict of the advice for a splicer; None where none can be given."""
    from arcdrift.analysis.advice.advice_from_store import advice_from_store

    try:
        return advice_from_store(session.engine, session.crew, splicer).verdict
    except ArcdriftError:
        return None


def _zone(session: CrewSession, subject: str) -> str | None:
    return zone_of_splicer(session.crew, subject)


def _unit(session: CrewSession, subject: str) -> str:
    splicer = session.crew.splicers.get(subject)
    return "" if splicer is None else splicer.setting_unit
