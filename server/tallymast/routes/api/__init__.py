"""The JSON API under /api/v1: what scripts and other programs rely on."""
