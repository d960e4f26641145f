"""Instrument exports: what is found in them is said, what is doubtful is asked.

`read_columns` takes two columns as they are; `read_export` knows quantities and their units, and
`export_to_table` writes what it read as a table of the project.
"""

from __future__ import annotations

from optistack.reader.columns import Reading, read_columns
from optistack.reader.export import read_export
from optistack.reader.tabled import Export
from optistack.reader.writing import export_to_table

__all__ = ["Export", "Reading", "export_to_table", "read_columns", "read_export"]
