"""What becomes of a stored order: claimed, judged once more, proven."""
