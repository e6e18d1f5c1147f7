"""The schema's history, one file a step; run by storage/engine.py at every start."""
