"""Import before numpy: keeps its linear algebra on one thread.

The adjustment's matrices have a few hundred columns; there threads cost several times what they give,
above all on a machine that is busy with something else.
"""

from __future__ import annotations

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
