"""rawref: from official food-composition releases to a raw-ingredient table whose every value can be traced."""

import os

# one thread for linear algebra: the matrices are small, and the same sums on every machine
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
CONTRACT_VERSION = "1"
