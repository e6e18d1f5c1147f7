"""Pages by which a site is found, tested and proven."""
