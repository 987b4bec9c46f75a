"""The command line: a module per command in ``commands/``, and what they share beside it.

Heavy libraries are imported inside the commands, so that ``--help`` answers at once.
"""

import os

# The matrices of a review are small: several OpenBLAS threads would mostly wait for each other,
# and a waiting thread still uses a processor. OpenBLAS reads this when numpy is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
