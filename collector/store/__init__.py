"""Where readings are kept: one protocol, several stores."""
