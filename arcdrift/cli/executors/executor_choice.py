"""Which executor an analysis gets: what this machine offers, or what was asked for."""

import re
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager

from sqlalchemy import Engine

from arcdrift.cli.executors.worker_processes import worker_pool
from arcdrift.errors import UsageError

FORMS = "process:N (N worker processes on this machine) or dask:ADDRESS (a Dask scheduler)"
MOST_PROCESSES = 256


@contextmanager
def chosen_executor(engine: Engine, choice: str | None) -> Iterator[Executor | None]:
    """Yield the executor that was asked for; by default worker processes where they pay.

    Parameters
    ----------
    choice : str or None
        ``process:N`` or ``dask:ADDRESS``.

    Raises
    ------
    UsageError
        When `choice` has another form, or when Dask is not installed.
    BadInput
        When there is no Dask scheduler with workers at the address.
    """
    if choice is None:
        with worker_pool(engine) as pool:
            yield pool
        return
    kind, _, given = choice.partition(":")
    if kind == "process" and re.fullmatch("[0-9]{1,3}", given):
        if not 1 <= int(given) <= MOST_PROCESSES:
            raise UsageError(
                f"--executor {choice}: from 1 to {MOST_PROCESSES} worker processes can be started."
            )
        with worker_pool(engine, workers=int(given)) as pool:
            yield pool
        return
    if kind == "dask" and given:
        try:
            from arcdrift.cli.executors.dask_cluster import dask_cluster
        except ModuleNotFoundError as error:
            raise UsageError(
                "--executor dask:ADDRESS needs Dask, which is not installed: "
                'pip install "arcdrift[fleet]"'
            ) from error
        on_server = engine.dialect.name == "postgresql"
        store = engine.url.render_as_string(hide_password=False) if on_server else None
        with dask_cluster(given, store) as cluster:
            yield cluster
        return
    raise UsageError(f"--executor {choice} is not known. Use {FORMS}.")


def lost_worker_notices(executor: Executor | None) -> list[str]:
    """Sentences about workers that were lost while an executor was used."""
    return list(getattr(executor, "notices", ()))
