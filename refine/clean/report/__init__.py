"""What a cleaning tells people: summary, table, page."""
