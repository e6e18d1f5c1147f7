"""What the web server answers: pages, fragments, the live stream, the JSON API; thin."""
