"""What happens to a site after its commissioning: hardware, tasks, seasons, replacements."""
