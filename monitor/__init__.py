"""What it means and who sees it: curves, comparison, findings, screen, study, command line."""

import os

__version__ = "0.1.0"

# The matrices here have a few hundred rows: threads of the linear algebra wait for each other longer than
# they work, on a busy computer for seconds. One thread also sums in the same order on every computer.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
