"""Which feature is seen in which frame, and how well."""
