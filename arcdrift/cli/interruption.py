"""What is said of imports that wait for their turn, or were begun and never finished."""

from arcdrift.cli.crew_folder import OpenCrew
from arcdrift.cli.output import say
from arcdrift.cli.time_arguments import local, zone_of_splicer


def say_waiting() -> None:
    """Tell that another writer has its turn first."""
    say("Waiting for another import or analysis to finish...")


def say_cut_off(here: OpenCrew, *, forget: bool) -> None:
    """Name the imports that were cut off; with `forget`, for the last time."""
    from arcdrift.store import import_lock

    cut_off = import_lock.interrupted(here.engine)
    zone = zone_of_splicer(here.crew)
    for one in cut_off:
        say(
            f"{one.file} was interrupted while it was imported at {local(one.started_at, zone)}; "
            f"nothing of it was stored, so import it again."
        )
    if forget:
        import_lock.forget(here.engine, cut_off)
