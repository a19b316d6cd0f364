"""mismatchd: detector volts to SWR, alarms and a permanent record."""

import os

# Matrices here are small: threads of the BLAS library would mostly wait for each other, at full
# speed. The library reads this when numpy is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
