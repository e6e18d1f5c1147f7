"""Tallymast: a web dashboard for remote sites polled by radio."""
