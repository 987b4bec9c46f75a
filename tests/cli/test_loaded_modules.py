"""What commands load: they answer at once only because they do without the heavy libraries."""

import json
import subprocess
import sys
from pathlib import Path

# in this order, because all run in one process, and each may load more than those before it
MAY_LOAD = {
    "--help": set(),
    "findings": {"sqlalchemy"},
    "checks": {"sqlalchemy"},
    "advise Heron": {
        "adbc_driver_sqlite", "numpy", "pandas", "pyarrow", "scipy.special", "sqlalchemy",
    },
}  # fmt: skip
HEAVY = [
    "adbc_driver_sqlite", "alembic", "dash", "numpy", "pandas", "pandera", "pint", "plotly",
    "pyarrow", "scipy.optimize", "scipy.special", "scipy.stats", "sqlalchemy", "statsmodels",
]  # fmt: skip
SCRIPT = """
import contextlib, io, json, sys
from arcdrift.cli.main import run

heavy, loaded = json.loads(sys.argv[1]), {}
for command in json.loads(sys.argv[2]):
    with contextlib.redirect_stdout(io.StringIO()):
        try:
            run(command.split())
        except SystemExit as done:
            code = done.code
    loaded[command] = [code, [name for name in heavy if name in sys.modules]]
print(json.dumps(loaded))
"""


def test_commands_load_no_more_than_they_need(analyzed: Path) -> None:
    script = [sys.executable, "-c", SCRIPT, json.dumps(HEAVY), json.dumps(list(MAY_LOAD))]
    done = subprocess.run(script, capture_output=True, text=True, check=True, cwd=analyzed)
    loaded = json.loads(done.stdout)
    assert {command: code for command, (code, _) in loaded.items()} == dict.fromkeys(MAY_LOAD, 0)
    too_much = {command: set(names) - MAY_LOAD[command] for command, (_, names) in loaded.items()}
    assert not any(too_much.values()), too_much
