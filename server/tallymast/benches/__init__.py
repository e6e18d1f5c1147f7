"""Measurements that anybody can repeat: each ``run`` returns one flat dict."""
