"""Orders to outputs, and do-not-operate tags: choosing, confirming, following, and the list."""
