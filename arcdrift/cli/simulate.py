"""``arcdrift simulate``: logs of an invented crew, with the truth beside them."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from arcdrift.cli.options import AsJson
from arcdrift.cli.output import print_json, print_table, tell, working
from arcdrift.cli.time_arguments import typed_day


class Form(StrEnum):
    """What logs can be written as."""

    csv = "csv"
    parquet = "parquet"


def simulate(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder for the logs.")],
    splicers: Annotated[int, typer.Option("--splicers", min=1, help="How many splicers.")] = 8,
    technicians: Annotated[
        int | None,
        typer.Option(
            "--technicians",
            min=1,
            help="How many technicians.",
            show_default="five for every four splicers",
        ),
    ] = None,
    sites: Annotated[int, typer.Option("--sites", min=1, help="How many work sites.")] = 3,
    days: Annotated[int, typer.Option("--days", min=1, help="How many calendar days.")] = 120,
    splices_per_day: Annotated[
        float,
        typer.Option("--splices-per-day", min=1, help="Splices of one splicer on a workday."),
    ] = 60.0,
    start: Annotated[
        str, typer.Option("--start", metavar="DATE", help="First day.")
    ] = "2026-07-20",
    seed: Annotated[
        int, typer.Option("--seed", min=0, help="The same number makes the same logs again.")
    ] = 1,
    faults: Annotated[
        str,
        typer.Option(
            "--faults",
            metavar="none|some|NAME|FILE",
            help="What goes wrong: nothing, a random handful, a fault by its name such as "
            "arc-step, or a TOML file of faults.",
        ),
    ] = "none",
    form: Annotated[
        Form, typer.Option("--format", help="What the four logs are written as.")
    ] = Form.csv,
    sample: Annotated[
        bool,
        typer.Option(
            "--sample",
            help="Make the crew of the demo with its planted faults; the other options do not "
            "apply.",
        ),
    ] = False,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace logs made before.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Make up the logs of an invented crew, healthy unless --faults says so, with the truth.

    The folder gets four logs, a crew.toml and truth.json, which tells every planted fault;
    truth-settings.parquet tells the arc setting each splicer truly needed, by the hour.
    """
    from datetime import date

    from arcdrift.simulate import invented_crew, load_plan, plant, sample_scenario, some_faults
    from arcdrift.simulate import simulate as make

    if sample:
        scenario = sample_scenario()
    else:
        scenario = invented_crew(
            splicers=splicers,
            technicians=technicians,
            sites=sites,
            days=days,
            splices_per_day=splices_per_day,
            seed=seed,
            start=date.fromisoformat(typed_day(start, "--start")),
        )
        if faults == "some":
            scenario = some_faults(scenario)
        elif faults != "none":
            scenario = plant(scenario, load_plan(faults))
    what = "Making up logs"
    with working(what, "splices") as progress:

        def told(done: int, total: int, splices: int) -> None:
            progress(what, splices, splices * total // done)

        truth = make(scenario, folder, overwrite=overwrite, form=form.value, progress=told)
    files: list[dict[str, Any]] = [{"file": name, **counts} for name, counts in truth.files.items()]
    if as_json:
        print_json(files)
        return
    print_table(
        ["File", "Rows", "Broken", "Repeated"],
        [(item["file"], f"{item['rows']:,}", item["broken"], item["repeated"]) for item in files],
        numbers=(1, 2, 3),
        title=f"Invented logs in {folder}",
    )
    count = len(truth.faults)
    planted = "1 fault was" if count == 1 else f"{count} faults were"
    tell(f"{planted} planted; truth.json tells {'it' if count == 1 else 'them'}.")
    if form is Form.csv:
        logs = " ".join(str(folder / item["file"]) for item in files)
        tell(f"Next: `arcdrift import --crew {folder} {logs}`.")
    else:
        tell("Parquet files are for other programs; `arcdrift import` reads CSV files.")
