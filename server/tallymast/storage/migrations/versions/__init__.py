"""One step a file, oldest first."""
