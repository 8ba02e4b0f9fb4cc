"""The commands, and what people see of a measurement."""
