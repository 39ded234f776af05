"""The phone page: one small read-only page, served by a process of its own beside the daemon."""
