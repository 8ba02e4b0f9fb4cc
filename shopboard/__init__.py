"""The shop's live page, fed by MQTT alone."""
