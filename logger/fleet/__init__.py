"""Many stations: what each has stored, as Parquet in one object store, and back.

Needs the extra `fleet`: importing the package without it raises UsageError.
"""

from importlib.util import find_spec

from logger.errors import UsageError

if not (find_spec("pyarrow") and find_spec("s3fs")):
    raise UsageError("this needs pyarrow and s3fs: `pip install 'mismatchd[fleet]'`")
