"""Commands of the program, run in a process that does nothing else, or in a thread of this one."""

import contextlib
import io
import json
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from threading import Lock
from typing import NamedTuple

from arcdrift.analysis.cases.cases_from_store import find_case, read_cases, state_case
from arcdrift.analysis.review.review import review
from arcdrift.errors import ArcdriftError
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import load_crew
from arcdrift.store.database.connect import open_crew_store


class Done(NamedTuple):
    """Exit code of a command, what it said, and how long it took in seconds."""

    code: int
    said: str
    seconds: float


Command = Callable[..., Done]


class Worker:
    """A process that runs commands one after the other; its libraries are loaded once."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = Lock()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.robust.together.commands"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def __call__(self, *words: object) -> Done:
        with self._lock:
            began = time.perf_counter()
            assert self._process.stdin is not None
            assert self._process.stdout is not None
            command = [*map(str, words), "--crew", str(self._folder)]
            self._process.stdin.write(json.dumps(command) + "\n")
            self._process.stdin.flush()
            line = self._process.stdout.readline()
            took = time.perf_counter() - began
        if not line:
            return Done(-1, f"the process ended with {self._process.wait()}", took)
        code, said = json.loads(line)
        return Done(code, said, took)

    def close(self) -> None:
        """End the process."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(60)
        assert self._process.stdout is not None
        self._process.stdout.close()


class InThread:
    """Does in the calling thread what the commands do: cheap, but not in processes of their own."""

    def __init__(self, folder: Path) -> None:
        self._crew = load_crew(folder)
        self._engine = open_crew_store(folder, self._crew)

    def __call__(self, *words: object) -> Done:
        began = time.perf_counter()
        code, said = 0, ""
        try:
            self._run(*map(str, words))
        except ArcdriftError as problem:
            code, said = problem.exit_code, str(problem)
        return Done(code, said, time.perf_counter() - began)

    def _run(self, command: str, *words: str) -> None:
        if command == "import":
            import_file(self._engine, self._crew, Path(words[0]))
        elif command == "analyze":
            review(self._engine, self._crew)
        else:
            action, case_id, _, by, *version = words
            case = find_case(read_cases(self._engine), case_id)
            based_on = int(version[1]) if version else None
            how = "accepted" if action == "close" else ""
            state_case(self._engine, case, action, by, how=how, based_on=based_on)

    def close(self) -> None:
        """Close the store."""
        self._engine.dispose()


def _serve(lines: Sequence[str] | io.TextIOBase) -> None:
    from arcdrift.cli.main import run

    answers = sys.stdout
    for line in lines:
        said, code = io.StringIO(), 0
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            try:
                run(json.loads(line))
            except SystemExit as done:
                code = int(done.code or 0)
        answers.write(json.dumps([code, said.getvalue()]) + "\n")
        answers.flush()


if __name__ == "__main__":
    _serve(sys.stdin)  # type: ignore[arg-type]
