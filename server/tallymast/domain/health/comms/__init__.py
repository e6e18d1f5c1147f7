"""How contact with a site has been: shares with intervals, outages, changes, common causes."""
