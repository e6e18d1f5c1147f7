"""Asks the field: one connection a gateway, one exchange at a time, in the order of pacing."""
