"""Causes of points without a valid value, wrong registers, restarts."""
