"""Write the sample logs: ``python -m arcdrift.simulate FOLDER``."""

import sys
from pathlib import Path

from arcdrift.errors import ArcdriftError
from arcdrift.simulate import sample_scenario, simulate

if len(sys.argv) != 2:
    sys.exit("usage: python -m arcdrift.simulate FOLDER")
try:
    simulate(sample_scenario(), Path(sys.argv[1]))
except ArcdriftError as problem:
    sys.stderr.write(f"{problem}\n")
    sys.exit(problem.exit_code)
