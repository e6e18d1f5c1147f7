"""Pages by which the network is entered and changed."""
