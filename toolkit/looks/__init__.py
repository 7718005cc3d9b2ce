"""Figures, tables and the report's page."""
