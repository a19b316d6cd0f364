"""Many stations: what each has stored, as Parquet in one object store, and back.

Needs the extra `fleet`: importing the package without it raises ModuleNotFoundError.
"""

from logger.extras import require

require("s3fs")
