"""Sheets for the field: rows filled in from the registry, columns those of the CSV file."""
