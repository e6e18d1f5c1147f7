"""Writes rows into files people open elsewhere; knows no database, no page and no wire."""
