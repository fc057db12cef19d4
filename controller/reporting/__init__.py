"""REPORTING: what the record says of a span of days: figures, and their text, CSV, JSON and page.

In: rows and sums that ``history`` read. Out: sections of figures, and documents made of them.
Never: reads a file, a clock or a setting, or knows SQL.
"""
