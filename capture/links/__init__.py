"""Links that bring an indicator's bytes: serial, replay and simulated, behind one door."""
