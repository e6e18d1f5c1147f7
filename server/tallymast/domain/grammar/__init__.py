"""The grammar of the network file, part by part; network_file.py joins the parts.

keys.py lists every key with the check of its value. gateways, profiles, points, sites, paths and
supplies build one kind of thing each. text.py writes a file, differences.py tells two apart.
"""
