"""``arcdrift simulate``: logs of an invented crew, with the truth beside them."""

from pathlib import Path
from typing import Annotated, Any

import typer

from arcdrift.cli.moments import typed_day
from arcdrift.cli.options import AsJson
from arcdrift.cli.output import print_json, print_table, tell


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
    """Make up the logs of an invented crew, healthy unless --sample, and say what is true.

    The folder gets four logs, a crew.toml and truth.json, which tells every planted fault.
    """
    from datetime import date

    from arcdrift.simulate import invented_crew, sample_scenario
    from arcdrift.simulate import simulate as make

    if sample:
        scenario = sample_scenario()
    else:
        scenario = invented_crew(
            splicers=splicers,
            technicians=technicians,
            days=days,
            splices_per_day=splices_per_day,
            seed=seed,
            start=date.fromisoformat(typed_day(start, "--start")),
        )
    truth = make(scenario, folder, overwrite=overwrite)
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
    tell(
        f"{len(truth.faults)} faults were planted; truth.json tells them.",
        f"Next: `arcdrift import --crew {folder} "
        f"{' '.join(str(folder / item['file']) for item in files)}`.",
    )
