"""How polls are kept for years: chunks, rollups and columns, as pure functions on arrays."""
