"""A simulated shed that speaks real MQTT."""
