"""A crew whose records are on a server: the same command, the same kind of file."""

from pathlib import Path
from typing import Any

import pytest

from arcdrift.backup.backup_writing import write_backup
from arcdrift.settings import load_crew
from arcdrift.store.database.connect import open_crew_store
from tests.backup.test_backup import COMMANDS, in_order
from tests.postgresql_server import postgresql_server

pytestmark = pytest.mark.postgresql


def test_a_crew_on_a_server_is_backed_up_of_one_state_and_restored_to_a_folder(
    crew: Path, arcdrift: Any, tmp_path: Path
) -> None:
    before = in_order(crew)
    answers = [arcdrift(*command.split(), "--crew", crew).data for command in COMMANDS]
    server = postgresql_server()
    name = server.new_database()
    server.execute("DROP SCHEMA arcdrift CASCADE", database=name)
    assert arcdrift("move", server.address(name), "--crew", crew).code == 0
    late = tmp_path / "late.csv"
    late.write_text("splicer,spliced_at,loss_db\nHeron,2026-05-04 10:01:00Z,0.04\n")
    settings = load_crew(crew)
    engine = open_crew_store(crew, settings)
    is_written = False

    def import_meanwhile(_step: str, _done: int, _whole: int) -> None:
        nonlocal is_written
        if not is_written:
            is_written = True
            assert arcdrift("import", late, "--crew", crew).code == 0

    made = write_backup(engine, crew, settings, tmp_path / "b.zip", progress=import_meanwhile)
    engine.dispose()
    assert is_written
    assert arcdrift("imports", "--crew", crew, "--json").data[0]["file"] == "late.csv"
    new = tmp_path / "new"
    restored = arcdrift("restore", made.path, new)
    assert (restored.code, "The records were on a server" in restored.out) == (0, True)
    assert in_order(new) == before
    assert [arcdrift(*command.split(), "--crew", new).data for command in COMMANDS] == answers
    checked = arcdrift("backup", "--check", "--crew", crew)
    assert (checked.code, "pg_amcheck" in checked.sentence) == (2, True)
