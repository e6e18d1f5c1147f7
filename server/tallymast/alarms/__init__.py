"""Looks at every alarm once a second, and remembers."""
