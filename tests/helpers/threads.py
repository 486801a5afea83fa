"""One thread a test process, as there is one for each core; settled as this is imported.

Sums of linear algebra differ in their last digits with the number of threads.
"""

from __future__ import annotations

import os

for _name in ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
