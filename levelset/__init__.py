"""levelset: sets, checks and documents amplifier levels in a vehicle."""

import os

__version__ = "0.1.0"

# The matrices here are small: shared out to threads that wait for each other, a reading costs
# several times the processor time of one thread, and most on a computer that is busy.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
