"""Pure rules of the trade: arguments in, answer out; no I/O, clock, logging, web or database."""
