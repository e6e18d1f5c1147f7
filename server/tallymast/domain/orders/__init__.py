"""Orders to outputs: what may be ordered, why not, and how sure it is that it was done."""
