"""Pure numbers of the job: units, hub files, uncertainty, limits and shims. Knows no other room."""
