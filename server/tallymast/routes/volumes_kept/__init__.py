"""The pages people write for volumes: factors, adjustments, indexes, closes, permits, balances."""
