"""Outputs of a measurement: tables, the result document, the figure, the report."""

from __future__ import annotations

from bandkit.output.document import read_result
from bandkit.output.folders import slab_folder
from bandkit.output.index import write_index
from bandkit.output.slab import write_slab
from bandkit.output.tables import Rejection, write_batch_tables

__all__ = ["Rejection", "read_result", "slab_folder", "write_batch_tables", "write_index", "write_slab"]
