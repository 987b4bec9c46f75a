"""Write the sample logs: ``python -m arcdrift.simulate FOLDER [--overwrite]``."""

import sys
from pathlib import Path

from arcdrift.errors import ArcdriftError
from arcdrift.simulate import sample_scenario, simulate

folders = [word for word in sys.argv[1:] if word != "--overwrite"]
if len(folders) != 1:
    sys.exit("usage: python -m arcdrift.simulate FOLDER [--overwrite]")
try:
    simulate(sample_scenario(), Path(folders[0]), overwrite="--overwrite" in sys.argv)
except ArcdriftError as problem:
    sys.stderr.write(f"{problem}\n")
    sys.exit(problem.exit_code)
