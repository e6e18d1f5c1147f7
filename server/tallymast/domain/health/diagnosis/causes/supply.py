"""Causes of trouble with a site's supply."""
