"""Pages of a site's life: hardware, tasks, replacing, hand meter, seasons, retired sites."""
