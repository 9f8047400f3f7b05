"""One thread for linear algebra; imported before numpy, which asks once.

The matrices are many and small: a second thread spins more than it brings, and on a busy machine ten times as long.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
