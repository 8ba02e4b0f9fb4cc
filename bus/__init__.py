"""MQTT: what the shop hears of a measurement, and the commands that come back."""
