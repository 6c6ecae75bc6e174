"""The alarm relay."""
