"""Tells people by mail and webhook."""
