"""A radio network to poll without hardware, behaving like one and not like a perfect server."""
