"""Before anything imports numpy: one thread for its linear algebra, since the tests run two at a time."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
