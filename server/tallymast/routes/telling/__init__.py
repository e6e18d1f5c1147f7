"""Pages of telling people of alarms: who is told, what was sent, and the link that acknowledges."""
