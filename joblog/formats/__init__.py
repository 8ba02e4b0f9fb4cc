"""The formats in which measurements are handed on: a module each, to write a selection and read it back."""
