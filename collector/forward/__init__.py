"""From the shed's store to a central one: SQLite is the truth and the spool, nothing is lost on the way."""
