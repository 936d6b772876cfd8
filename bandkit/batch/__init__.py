"""Many records: workers, what changed since the last run, and what could not be measured.

Each slab is one task: read its record, look whether anything changed, measure, write its
folder whole. The batch tables are then put together from the folders, so that they
do not depend on the number of workers or on the order in which slabs were done.

A slab is unchanged when its folder is complete and was made by this version from the
same image and the same record, byte for byte.
"""

from bandkit.batch.run import BatchSummary, find_records, measure_batch

__all__ = ["BatchSummary", "find_records", "measure_batch"]
