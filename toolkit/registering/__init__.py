"""A registry of many clinics: stored by site and year, asked by an engine, answered as one clinic's records are.

`registry` (in `open_registry`) opens a folder or a table; `store` (in `storing`) adds an export to a folder. The engine
is DuckDB unless another is handed over; everything is asked of it through Ibis.
"""
