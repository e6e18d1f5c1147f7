"""What was counted, for people who read it: a network's month, a point's days, a day's hours."""
