"""The command line: one small file per command; heavy libraries load inside the commands."""

import os

# The matrices of a review are small: more threads of OpenBLAS would mostly wait for each other,
# and each waits at the price of a processor. It reads this when numpy is first loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
