"""From the bytes of an indicator to end play; everything but the links and the service is pure."""
