"""What else is told of a soak while it runs, and may be lost: MQTT, alerts."""
