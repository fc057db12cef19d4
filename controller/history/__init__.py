"""The record: written by the loop (``SqliteHistory``), read by commands and pages (``HistoryReader``).

The only package that knows SQL. It must never be able to stop control.
"""

from controller.history.read import HistoryReader
from controller.history.store import SqliteHistory

__all__ = ["HistoryReader", "SqliteHistory"]
