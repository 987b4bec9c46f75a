"""Messages about imports that wait for the store, or that were interrupted."""

from arcdrift.cli.crew_folder import CrewSession
from arcdrift.cli.output import print_notice
from arcdrift.cli.time_arguments import local_time, zone_of_splicer


def print_interrupted(session: CrewSession, *, forget: bool) -> None:
    """Name the imports that were interrupted; with `forget`, do not name them again later."""
    from arcdrift.store.imports import import_lock

    interrupted = import_lock.interrupted_imports(session.engine)
    zone = zone_of_splicer(session.crew)
    for started in interrupted:
        print_notice(
            f"{started.file} was interrupted while it was imported at "
            f"{local_time(started.started_at, zone)}; nothing of it was stored, so import it again."
        )
    if forget:
        import_lock.forget_interrupted(session.engine, interrupted)
