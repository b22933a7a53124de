"""A result to ink: no store and no statistics here."""
