"""What holds for all tests."""

import os

# Small matrices only: threads would wait for one another, and disturb what is timed.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
