"""Names the probable cause of what is wrong, with what speaks for it and the check that decides."""
