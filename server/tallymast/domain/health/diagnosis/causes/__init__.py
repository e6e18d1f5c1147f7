"""The causes that can be named: one small function each."""
