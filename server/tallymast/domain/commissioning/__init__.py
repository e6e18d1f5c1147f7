"""Proving that every point of a site is what it says: switches, loops, links, records."""
