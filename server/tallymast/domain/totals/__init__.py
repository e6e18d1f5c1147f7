"""What counters counted, in exact numbers, and how sure each of them is."""
