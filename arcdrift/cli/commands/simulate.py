"""``arcdrift simulate``: writes logs of an invented crew, and the truth about them."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from arcdrift.cli.options import AsJson
from arcdrift.cli.output import print_json, print_lines, print_table, progress_bar
from arcdrift.cli.time_arguments import parse_day


class LogFormat(StrEnum):
    """File formats of simulated logs."""

    csv = "csv"
    parquet = "parquet"


def simulate(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", readable=False, help="Folder for the logs.")
    ],
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
        typer.Option("--splices-per-day", min=1, help="Mean splices of a splicer on a workday."),
    ] = 60.0,
    start: Annotated[
        str, typer.Option("--start", metavar="DATE", help="First day.")
    ] = "2026-07-20",
    seed: Annotated[
        int, typer.Option("--seed", min=0, help="The same number gives the same logs.")
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
    log_format: Annotated[
        LogFormat, typer.Option("--format", help="File format of the four logs.")
    ] = LogFormat.csv,
    sample: Annotated[
        bool,
        typer.Option(
            "--sample",
            help="Make the crew of the demo with its planted faults; the other options do not "
            "apply.",
        ),
    ] = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace existing logs.")] = False,
    as_json: AsJson = False,
) -> None:
    """Make up the logs of an invented crew, without faults unless --faults is given.

    Writes four logs, a crew.toml, truth.json with every planted fault, and truth-settings.parquet
    with the arc setting that each splicer truly needed in each hour.
    """
    from datetime import date

    from arcdrift.simulate import (
        add_faults,
        add_random_faults,
        invented_crew,
        load_plan,
        sample_scenario,
    )
    from arcdrift.simulate import simulate as simulate_logs

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
            start=date.fromisoformat(parse_day(start, "--start")),
        )
        if faults == "some":
            scenario = add_random_faults(scenario)
        elif faults != "none":
            scenario = add_faults(scenario, load_plan(faults))
    description = "Making up logs"
    with progress_bar(description, "splices") as progress:

        def show_progress(splicers_done: int, splicers_total: int, splices: int) -> None:
            progress(description, splices, splices * splicers_total // splicers_done)

        truth = simulate_logs(
            scenario,
            folder,
            overwrite=overwrite,
            log_format=log_format.value,
            progress=show_progress,
        )
    files: list[dict[str, Any]] = [{"file": name, **counts} for name, counts in truth.files.items()]
    if as_json:
        print_json(files)
        return
    print_table(
        ["File", "Rows", "Broken", "Repeated"],
        [(file["file"], f"{file['rows']:,}", file["broken"], file["repeated"]) for file in files],
        numeric_columns=(1, 2, 3),
        title=f"Invented logs in {folder}",
    )
    count = len(truth.faults)
    planted = "1 fault was" if count == 1 else f"{count} faults were"
    print_lines(f"{planted} planted; truth.json tells {'it' if count == 1 else 'them'}.")
    if log_format is LogFormat.csv:
        logs = " ".join(str(folder / file["file"]) for file in files)
        print_lines(f"Next: `arcdrift import --crew {folder} {logs}`.")
    else:
        print_lines("Parquet files are for other programs; `arcdrift import` reads CSV files.")
