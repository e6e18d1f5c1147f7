"""The demo's past, and what people left in it."""
