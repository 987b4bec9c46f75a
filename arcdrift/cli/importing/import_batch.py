"""Importing all logs that a command names, and what is stored when Ctrl-C stops it."""

from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from arcdrift.cli.crew_folder import CrewSession, command_text, open_crew
from arcdrift.cli.importing.import_run import FileQueue, find_logs, import_found
from arcdrift.cli.interrupts import errors_as_interrupts
from arcdrift.cli.options import RecordKind
from arcdrift.cli.output import print_notice
from arcdrift.errors import ArcdriftError, StoreTrouble

if TYPE_CHECKING:
    from arcdrift.intake.layout.layouts import Layout
    from arcdrift.intake.reading.file_reading import Ask
    from arcdrift.intake.storing.import_file import ImportReport

LISTED = 8
"""Most files that a sentence names."""


@dataclass
class ImportBatch:
    """The imports of one command.

    Attributes
    ----------
    queue : FileQueue
        The files that are done, and those that are not.
    reports : list of ImportReport
        Of the logs that were imported.
    failed : list of str
        Names of the logs that were refused.
    code : int
        Exit code: 0, or that of the gravest error.
    """

    queue: FileQueue
    reports: "list[ImportReport]" = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    code: int = 0
    _last_import: int | None = None
    """Id of the last import before this batch; None until the store was asked."""

    def import_all(
        self,
        session: CrewSession,
        arguments: Sequence[Path],
        kind: RecordKind | None,
        layout: "Layout | None",
        *,
        ask: "Ask | None" = None,
    ) -> None:
        """Import all logs; print an error for each that fails, and go on with the next.

        Parameters
        ----------
        ask : callable, optional
            Asks a person what is not clear about a file.

        Raises
        ------
        KeyboardInterrupt
            On Ctrl-C, also when it came out as an error.
        """
        from arcdrift.store.imports.import_list import read_imports

        self._last_import = max(read_imports(session.engine)["id"], default=0)
        with closing(find_logs(session.folder, arguments, layout, self.queue)) as logs:
            for log in logs:
                try:
                    with errors_as_interrupts():
                        report = import_found(session, log, kind, layout, ask=ask)
                    self.reports.append(report)
                except ArcdriftError as problem:
                    print_notice(problem)
                    self.failed.append(log.name)
                    self.code = max(self.code, problem.exit_code)
                    if isinstance(problem, StoreTrouble):
                        break

    def interruption_text(self, folder: Path) -> str:
        """Return the sentence on what is stored and what is not, after Ctrl-C.

        The store is asked: the interruption may have come just after an import was stored.
        """
        try:
            stored = [] if self._last_import is None else self._stored_names(folder)
        except Exception:  # a module, say, that was being imported cannot be imported again
            return f"Interrupted: {command_text('imports', folder)} tells what is stored."
        missing = [*self.failed, *self.queue.waiting]
        if self.queue.waiting:
            begun = self.queue.waiting[0]
            earlier = sum(name == begun and name not in self.failed for name in self.queue.done)
            if stored.count(begun) > earlier:
                missing.remove(begun)
            elif any(name.startswith(f"{begun}/") for name in stored):
                missing[missing.index(begun)] = f"the rest of {begun}"
        missing = list(dict.fromkeys(missing))
        are_stored = f"{_listed(stored)} stored" if stored else "nothing is stored"
        if not missing:
            return f"Interrupted: {are_stored}, and no file is left."
        return f"Interrupted: {are_stored}; {_listed(missing)} not stored, so import again."

    def _stored_names(self, folder: Path) -> list[str]:
        from arcdrift.store.imports.import_list import read_imports

        with open_crew(folder) as session:
            imports = read_imports(session.engine)
        new = imports[imports["id"] > self._last_import].sort_values("id")
        return [str(name) for name in new["file_name"]]


def _listed(names: list[str]) -> str:
    """Return names with their verb: a.csv is, a.csv and b.csv are."""
    if len(names) == 1:
        return f"{names[0]} is"
    if len(names) > LISTED:
        return f"{', '.join(names[:LISTED])} and {len(names) - LISTED:,} more are"
    return f"{', '.join(names[:-1])} and {names[-1]} are"
