"""What every command promises of its --json: one place, from which the published JSON Schemas are written."""
